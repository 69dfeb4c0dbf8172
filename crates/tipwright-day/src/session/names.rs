//! Names a person gives: of takes, cameras and set-ups, ids of casters, phases. A name can be a file name on every system and
//! cannot lead out of a folder, so whoever holds one may build a path with it.

use std::borrow::Borrow;
use std::fmt;

use serde::{Deserialize, Serialize};

/// Longest name, letters.
pub const LONGEST_NAME: usize = 64;
/// Longest name, bytes: with what files add to it a name must stay below the 255 that file systems allow.
const LONGEST_NAME_BYTES: usize = 200;

/// The rule in words, the same wherever a name is refused.
pub const NAME_RULE: &str =
    "use 1 to 64 letters, digits, spaces, `.`, `_`, `-`, beginning with a letter or digit";

/// Not a name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{shown}` cannot be a name; {NAME_RULE}")]
pub struct NameError {
    /// The text, cut short and without what a terminal would act on.
    pub shown: String,
}

/// Whether a text is a name.
fn is_name(text: &str) -> bool {
    let is_inside = |c: char| c.is_alphanumeric() || matches!(c, ' ' | '.' | '_' | '-');
    text.len() <= LONGEST_NAME_BYTES
        && text.chars().count() <= LONGEST_NAME
        && text.chars().next().is_some_and(char::is_alphanumeric)
        && text.chars().all(is_inside)
}

/// A text from a file as it may be shown: control and direction characters as blanks, at most `longest` characters.
#[must_use]
pub fn shown(text: &str, longest: usize) -> String {
    let is_direction =
        |c: char| matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let mut out: String =
        text.chars().take(longest).map(|c| if c.is_control() || is_direction(c) { ' ' } else { c }).collect();
    if text.chars().nth(longest).is_some() {
        out.push_str("...");
    }
    out
}

macro_rules! name {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(String);

        impl $name {
            /// From a text.
            ///
            /// # Errors
            /// When it breaks [`NAME_RULE`].
            pub fn new(text: impl Into<String>) -> Result<Self, NameError> {
                let text = text.into();
                if is_name(&text) { Ok(Self(text)) } else { Err(NameError { shown: shown(&text, LONGEST_NAME) }) }
            }

            /// The text.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }

            /// What names are the same by: without regard to case.
            #[must_use]
            pub fn key(&self) -> String {
                self.0.to_lowercase()
            }
        }

        impl std::ops::Deref for $name {
            type Target = str;
            fn deref(&self) -> &str {
                &self.0
            }
        }

        impl AsRef<std::path::Path> for $name {
            fn as_ref(&self) -> &std::path::Path {
                self.0.as_ref()
            }
        }

        impl Borrow<str> for $name {
            fn borrow(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }

        impl PartialEq<str> for $name {
            fn eq(&self, other: &str) -> bool {
                self.0 == other
            }
        }

        impl PartialEq<&str> for $name {
            fn eq(&self, other: &&str) -> bool {
                self.0 == *other
            }
        }

        impl PartialEq<String> for $name {
            fn eq(&self, other: &String) -> bool {
                self.0 == *other
            }
        }

        impl TryFrom<String> for $name {
            type Error = NameError;
            fn try_from(text: String) -> Result<Self, NameError> {
                Self::new(text)
            }
        }

        impl std::str::FromStr for $name {
            type Err = NameError;
            fn from_str(text: &str) -> Result<Self, NameError> {
                Self::new(text)
            }
        }

        impl From<$name> for String {
            fn from(name: $name) -> Self {
                name.0
            }
        }
    };
}

name! {
    /// Name of a take; its folder in the results.
    TakeName
}
name! {
    /// Name of a camera; its lens file in the results.
    CameraName
}
name! {
    /// Id of a caster.
    CasterId
}
name! {
    /// Key of a person over all sessions of a school.
    CasterKey
}
name! {
    /// A label of takes to compare by.
    Phase
}
name! {
    /// Name of a set-up of the tripods.
    SetUpName
}
name! {
    /// Id of a session: the key of its rows in every table.
    SessionId
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_what_the_contract_says() {
        for good in ["1", "03-before", "Zoë 2", "a.b_c-d e", &"x".repeat(64), "Ärger"] {
            assert_eq!(TakeName::new(good).map(String::from).as_deref(), Ok(good));
        }
        let long = "x".repeat(65);
        for bad in [
            "",
            ".",
            "..",
            " a",
            "-a",
            "_a",
            "../../x",
            "/tmp/x",
            "a/b",
            "a\\b",
            "a:b",
            "a\nb",
            "a\u{1b}[31mb",
            &long,
            "=1+1",
            "a\u{202e}b",
            "e\u{301}",
            "\u{0}",
            "C:\\x",
            "a*",
        ] {
            let error = TakeName::new(bad).unwrap_err();
            assert!(error.to_string().ends_with(NAME_RULE), "{bad:?}");
            assert!(!error.to_string().chars().any(char::is_control), "{bad:?}");
        }
    }

    #[test]
    fn a_name_is_read_by_its_rule_from_a_file_too() {
        assert!(serde_json::from_str::<CameraName>("\"west\"").is_ok());
        assert!(serde_json::from_str::<CameraName>("\"../west\"").is_err());
        assert_eq!(CameraName::new("West").unwrap().key(), CameraName::new("wEST").unwrap().key());
    }
}
