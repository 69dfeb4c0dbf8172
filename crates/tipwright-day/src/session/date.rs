//! Days of the calendar.

use serde::{Deserialize, Serialize};

/// A day, as 2026-05-09 in files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Date(jiff::civil::Date);

/// Not a day.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{shown}` is no day; write year-month-day, as 2026-05-09")]
pub struct DateError {
    /// As written.
    pub shown: String,
}

impl Date {
    /// From year-month-day.
    ///
    /// # Errors
    /// Another form, or a day that does not exist.
    pub fn new(text: &str) -> Result<Self, DateError> {
        let wrong = || DateError { shown: super::names::shown(text, 20) };
        if text.len() != 10 {
            return Err(wrong());
        }
        text.parse().map(Self).map_err(|_| wrong())
    }

    /// Today, where this machine is.
    #[must_use]
    pub fn today() -> Self {
        Self(jiff::Zoned::now().date())
    }
}

impl std::fmt::Display for Date {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

impl TryFrom<String> for Date {
    type Error = DateError;
    fn try_from(text: String) -> Result<Self, DateError> {
        Self::new(&text)
    }
}

impl From<Date> for String {
    fn from(date: Date) -> Self {
        date.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_is_a_day_of_the_calendar() {
        assert_eq!(Date::new("2024-02-29").map(String::from).as_deref(), Ok("2024-02-29"));
        for bad in ["2025-02-29", "2026-13-01", "2026-5-9", "9.5.2026", "", "2026-05-09T1", "today"] {
            assert!(Date::new(bad).is_err(), "{bad}");
        }
    }
}
