//! Rotation tag and recording time.

use ffmpeg_the_third as ffmpeg;
use ffmpeg_the_third::ffi;
use tipwright::model::Rotation;

use super::{EncodeConfig, Maker};

/// Display matrix of a clockwise turn: rows (a, b, u), (c, d, v), (x, y, w), 16.16 and 2.30 fixed point.
pub(super) fn set_rotation(stream: &mut ffmpeg::format::stream::StreamMut<'_>, rotation: Rotation) {
    const ONE: i32 = 1 << 16;
    let (a, b, c, d) = match rotation {
        Rotation::R0 => return,
        Rotation::R90 => (0, ONE, -ONE, 0),
        Rotation::R180 => (-ONE, 0, 0, -ONE),
        Rotation::R270 => (0, -ONE, ONE, 0),
    };
    let matrix: [i32; 9] = [a, b, 0, c, d, 0, 0, 0, 1 << 30];
    // SAFETY: the stream belongs to an open output; FFmpeg allocates 36 bytes or returns null
    unsafe {
        let data = ffi::av_stream_new_side_data(
            stream.as_mut_ptr(),
            ffi::AVPacketSideDataType::DISPLAYMATRIX,
            std::mem::size_of_val(&matrix),
        );
        if !data.is_null() {
            std::ptr::copy_nonoverlapping(matrix.as_ptr().cast::<u8>(), data, std::mem::size_of_val(&matrix));
        }
    }
}

/// Make, model and local time under the keys that phones of the two kinds use (from memory): those that write local time, and the others.
pub(super) fn maker_tags(config: &EncodeConfig) -> Vec<(&'static str, String)> {
    let Some(Maker { make, model, zone_s }) = &config.maker else { return Vec::new() };
    let Some(zone_s) = *zone_s else {
        return vec![("com.android.manufacturer", make.clone()), ("com.android.model", model.clone())];
    };
    let mut tags =
        vec![("com.apple.quicktime.make", make.clone()), ("com.apple.quicktime.model", model.clone())];
    if let Some(unix_s) = config.recorded_unix_s {
        let [year, month, day, hour, minute, second] = civil(unix_s + i64::from(zone_s));
        let (sign, ahead_s) = (if zone_s < 0 { '-' } else { '+' }, zone_s.abs());
        let zone = format!("{sign}{:02}{:02}", ahead_s / 3600, ahead_s / 60 % 60);
        let local = format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}{zone}");
        tags.push(("com.apple.quicktime.creationdate", local));
    }
    tags
}

/// `YYYY-MM-DDThh:mm:ssZ`.
pub(super) fn rfc3339_from_unix(unix_s: i64) -> String {
    let [year, month, day, hour, minute, second] = civil(unix_s);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}Z")
}

/// Year, month, day, hour, minute and second of seconds since 1970, by the days-from-civil rule (public domain arithmetic).
#[must_use]
pub fn civil(unix_s: i64) -> [i64; 6] {
    let (days, second) = (unix_s.div_euclid(86_400), unix_s.rem_euclid(86_400));
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let day_of_era = z.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_shifted = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_shifted + 2) / 5 + 1;
    let month = if month_shifted < 10 { month_shifted + 3 } else { month_shifted - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    [year, month, day, second / 3600, second / 60 % 60, second % 60]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn truth_calendar_of_known_instants() {
        // date -u -d @N of GNU coreutils
        assert_eq!(rfc3339_from_unix(0), "1970-01-01T00:00:00Z");
        assert_eq!(rfc3339_from_unix(951_782_400), "2000-02-29T00:00:00Z");
        assert_eq!(rfc3339_from_unix(1_718_445_296), "2024-06-15T09:54:56Z");
    }
}
