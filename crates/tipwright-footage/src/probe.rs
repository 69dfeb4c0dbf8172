//! What a file says of itself, and the first look that turns a bad file into a clear message.

use std::ffi::CString;
use std::path::Path;

use ffmpeg_the_third as ff;
use ffmpeg_the_third::ffi;
use tipwright::model::footage::{ClipInfo, FootageError};
use tipwright::model::{Picture, Rotation, Severity, Warning};

use crate::decode::format::SampleLayout;

/// "Invalid argument" of the system.
const EINVAL: i32 = 22;

/// An opened container with its picture track.
pub(crate) struct Opened {
    pub input: ff::format::context::Input,
    pub stream_idx: usize,
    pub time_base_s: f64,
    pub info: ClipInfo,
    /// Samples of the picture track in the file, hidden ones too.
    pub frames_stored: Option<u64>,
    /// What a person should know of the file before a frame is read.
    pub notes: Vec<Warning>,
}

pub(crate) fn unreadable(path: &Path, reason: impl Into<String>) -> FootageError {
    FootageError::Unreadable { reason: reason.into(), path: path.to_path_buf() }
}

/// Missing, empty, a folder: told apart before FFmpeg sees the file.
pub(crate) fn look_at_file(path: &Path) -> Result<(), FootageError> {
    let meta = match std::fs::metadata(path) {
        Ok(meta) => meta,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            return Err(FootageError::Missing { path: path.to_path_buf() });
        }
        Err(e) => return Err(unreadable(path, e.to_string())),
    };
    if meta.is_dir() {
        return Err(unreadable(path, "it is a folder"));
    }
    if meta.len() == 0 {
        return Err(FootageError::Empty { path: path.to_path_buf() });
    }
    Ok(())
}

/// The containers that phones write, by FFmpeg's names, and the one that people turn clips into. All else is refused: a text file
/// that lists other files, a play list, an address would make FFmpeg open those.
const CONTAINERS: &str = "mov,mp4,m4a,3gp,3g2,matroska,webm";

/// Opens the container without asking for a picture track; the first pictures of it are decoded, for some headers don't say what is in them.
pub(crate) fn open_container(path: &Path) -> Result<ff::format::context::Input, FootageError> {
    let mut input = open_index(path)?;
    look_into(&mut input, path)?;
    Ok(input)
}

/// Opens the container as far as its own index tells of it.
pub(crate) fn open_index(path: &Path) -> Result<ff::format::context::Input, FootageError> {
    look_at_file(path)?;
    crate::silence();
    let mut options: ff::Dictionary =
        [("format_whitelist", CONTAINERS), ("protocol_whitelist", "file")].into_iter().collect();
    // as an address a name with a colon would be another protocol's
    let mut address = b"file:".to_vec();
    address.extend_from_slice(path.as_os_str().as_encoded_bytes());
    let address =
        CString::new(address).map_err(|_| unreadable(path, "its name holds a character of no name"))?;
    let mut context = std::ptr::null_mut();
    // SAFETY: FFmpeg allocates the context or leaves it null and returns an error; the address ends with a zero; the dictionary is
    // owned here, what was not used of it stays its.
    let status = unsafe {
        ffi::avformat_open_input(&raw mut context, address.as_ptr(), std::ptr::null(), options.as_mut_ptr())
    };
    if status < 0 || context.is_null() {
        return Err(refused(ff::Error::from(status), path));
    }
    // SAFETY: the context was opened just now and belongs to nobody else.
    Ok(unsafe { ff::format::context::Input::wrap(context) })
}

/// Reads and decodes the first pictures and samples, as FFmpeg does to learn what headers don't say.
pub(crate) fn look_into(input: &mut ff::format::context::Input, path: &Path) -> Result<(), FootageError> {
    // SAFETY: the context is open and owned by `input`; no options are given.
    let status = unsafe { ffi::avformat_find_stream_info(input.as_mut_ptr(), std::ptr::null_mut()) };
    if status < 0 { Err(refused(ff::Error::from(status), path)) } else { Ok(()) }
}

fn refused(error: ff::Error, path: &Path) -> FootageError {
    let reason = match error {
        ff::Error::InvalidData => "it holds no video FFmpeg knows, or its index is cut off".to_owned(),
        // what FFmpeg says of a container that is not on the list
        ff::Error::Other { errno } if errno == EINVAL => {
            "it is no MP4, MOV, 3GP, MKV or WebM file, whatever its name says".to_owned()
        }
        other => other.to_string(),
    };
    unreadable(path, reason)
}

/// The picture track: of those that are films (covers are not) the one marked as default, then the one with the most frames, then
/// the largest, then the first. Also how many there are.
fn picture_track(input: &ff::format::context::Input) -> Option<(ff::format::stream::Stream<'_>, usize)> {
    use ff::format::stream::Disposition;
    let films = || {
        input.streams().filter(|s| {
            s.parameters().medium() == ff::media::Type::Video
                && !s.disposition().contains(Disposition::ATTACHED_PIC)
        })
    };
    let worth = |s: &ff::format::stream::Stream<'_>| {
        // SAFETY: codecpar of a stream of an open input is never null and lives as long as the input.
        let size = unsafe {
            let parameters = &*(*s.as_ptr()).codecpar;
            i64::from(parameters.width) * i64::from(parameters.height)
        };
        (s.disposition().contains(Disposition::DEFAULT), s.frames(), size, std::cmp::Reverse(s.index()))
    };
    films().max_by_key(worth).map(|best| (best, films().count()))
}

/// Samples that the file's index still holds once its edit list is applied, where the container has a full index.
fn frames_shown(input: &ff::format::context::Input, stream: &ff::format::stream::Stream<'_>) -> Option<u64> {
    if !input.format().name().contains("mp4") {
        return None;
    }
    // SAFETY: the stream belongs to an open input.
    let entries = unsafe { ffi::avformat_index_get_entries_count(stream.as_ptr()) };
    u64::try_from(entries).ok().filter(|n| *n > 0)
}

/// Share of the samples of the picture track that end before the file does, where the container has a full index.
pub(crate) fn held_share(path: &Path) -> Option<f64> {
    let input = open_index(path).ok()?;
    let (stream, _) = picture_track(&input)?;
    let entries = frames_shown(&input, &stream)?;
    let bytes = std::fs::metadata(path).ok()?.len();
    let ends_inside = |idx: u64| {
        // SAFETY: the stream belongs to an open input, the index is below its count; the entry is read before anything else is done.
        let entry = unsafe {
            ffi::avformat_index_get_entry(stream.as_ptr().cast_mut(), i32::try_from(idx).ok()?).as_ref()
        }?;
        let end = u64::try_from(entry.pos).ok()? + u64::try_from(entry.size()).ok()?;
        Some(end <= bytes)
    };
    let held = (0..entries).filter(|idx| ends_inside(*idx).unwrap_or(true)).count();
    Some(held as f64 / entries as f64)
}

/// Opens the container and describes its picture track.
pub(crate) fn open(path: &Path) -> Result<Opened, FootageError> {
    let input = open_container(path)?;
    let no_picture =
        |reason: &str| FootageError::NoPicture { reason: reason.to_owned(), path: path.to_path_buf() };
    let (stream, picture_tracks) =
        picture_track(&input).ok_or_else(|| no_picture("it has no picture track, or nothing but a cover"))?;
    let stream_idx = stream.index();
    let time_base_s = f64::from(stream.time_base());
    // SAFETY: codecpar of a stream of an open input is never null and lives as long as the input.
    let (width, height, format) = unsafe {
        let parameters = &*(*stream.as_ptr()).codecpar;
        (parameters.width, parameters.height, parameters.format)
    };
    let (Ok(width), Ok(height)) = (u32::try_from(width), u32::try_from(height)) else {
        return Err(no_picture("its picture has no size"));
    };
    if width == 0 || height == 0 || format < 0 {
        return Err(no_picture("no frame of it can be decoded"));
    }
    if let Err(format) = SampleLayout::of(format) {
        return Err(FootageError::Unsupported { format, path: path.to_path_buf() });
    }
    let rotation = rotation_tag(&stream)
        .map_err(|what| FootageError::Unsupported { format: what.to_owned(), path: path.to_path_buf() })?;
    let frames_stored = u64::try_from(stream.frames()).ok().filter(|n| *n > 0);
    let frames_claimed = match (frames_stored, frames_shown(&input, &stream)) {
        (Some(stored), Some(shown)) => Some(stored.min(shown)),
        (stored, _) => stored,
    };
    let transfer = stream.parameters().color_transfer_characteristic();
    let rate = f64::from(stream.avg_frame_rate());
    let duration_s = match stream.duration() {
        d if d > 0 => Some(d as f64 * time_base_s),
        _ => Some(input.duration() as f64 / f64::from(ffi::AV_TIME_BASE)).filter(|d| *d > 0.0),
    };
    let text = |key: &str| {
        let of_stream = stream.metadata().get(key).map(str::to_owned);
        of_stream.or_else(|| input.metadata().get(key).map(str::to_owned))
    };
    let info = ClipInfo {
        path: path.to_path_buf(),
        codec: ff::codec::decoder::find(stream.parameters().id())
            .map_or_else(|| "unknown".to_owned(), |c| c.name().to_owned()),
        picture: Picture { stored_px: [width, height], rotation },
        frames_claimed,
        duration_s,
        container_fps: Some(rate).filter(|r| r.is_finite() && *r > 0.0),
        capture_fps_tag: text("com.android.capture.fps")
            .and_then(|t| t.trim().parse::<f64>().ok())
            .filter(|f| f.is_finite() && *f > 0.0),
        recorded_unix_s: text("com.apple.quicktime.creationdate")
            .and_then(|t| unix_s_from_iso(&t))
            .or_else(|| text("creation_time").and_then(|t| unix_s_from_iso(&t)))
            .filter(|s| *s > 0.0),
        recorded_zone_s: text("com.apple.quicktime.creationdate").and_then(|t| zone_s_from_iso(&t)),
        has_sound: input.streams().best(ff::media::Type::Audio).is_some(),
    };
    let notes = notes(&info, picture_tracks, transfer);
    Ok(Opened { input, stream_idx, time_base_s, info, frames_stored, notes })
}

/// Reads what the clip says of itself without decoding.
pub(crate) fn clip_info(path: &Path) -> Result<ClipInfo, FootageError> {
    open(path).map(|o| o.info)
}

/// What is unusual about a file that is read all the same.
fn notes(
    info: &ClipInfo,
    picture_tracks: usize,
    transfer: ff::color::TransferCharacteristic,
) -> Vec<Warning> {
    use ff::color::TransferCharacteristic as Transfer;
    let about = info.path.display().to_string();
    let note = |what: String, remedy: &str| Warning::new(Severity::Note, &about, what, remedy);
    let mut out = Vec::new();
    if picture_tracks > 1 {
        let [w, h] = info.picture.stored_px;
        out.push(note(
            format!("it holds {picture_tracks} picture tracks; the one of {w} x {h} was used"),
            "Nothing to do unless the phone films with two lenses at once; then switch that off",
        ));
    }
    let hdr = match transfer {
        Transfer::ARIB_STD_B67 => Some("HLG"),
        Transfer::SMPTE2084 => Some("PQ"),
        _ => None,
    };
    if let Some(name) = hdr {
        out.push(note(
            format!("it was filmed in HDR ({name}): bright markers and sky are stored darker than in ordinary film"),
            "Switch HDR video off on the phone; where the marker is found all the same nothing is lost",
        ));
    }
    out
}

/// Clockwise turn from stored to upright, from the track's display matrix; what is wrong with a crooked or mirrored one.
fn rotation_tag(stream: &ff::format::stream::Stream<'_>) -> Result<Rotation, &'static str> {
    let mut size = 0usize;
    // SAFETY: the stream is alive; FFmpeg returns null or a buffer of `size` bytes owned by the stream. A display
    // matrix is nine 32-bit integers, which the size test makes sure of before they are read.
    let matrix = unsafe {
        let data = ffi::av_stream_get_side_data(
            stream.as_ptr(),
            ffi::AVPacketSideDataType::DISPLAYMATRIX,
            &raw mut size,
        );
        if data.is_null() || size < 36 {
            return Ok(Rotation::R0);
        }
        std::array::from_fn::<f64, 9, _>(|i| f64::from(data.cast::<i32>().add(i).read_unaligned()))
    };
    // x' = a x + c y, y' = b x + d y, y down: [a b u c d v x y w] (ISO 14496-12, 6.2.2)
    let [a, b, c, d] = [matrix[0], matrix[1], matrix[3], matrix[4]];
    let (size, turned_rad) = (a.hypot(b), b.atan2(a));
    if !(size > 0.0) {
        return Ok(Rotation::R0);
    }
    if a * d - b * c < 0.0 {
        return Err("a mirrored picture: left and right are exchanged; film with the back camera");
    }
    let clockwise_deg = turned_rad.to_degrees();
    let whole_deg = (clockwise_deg / 90.0).round() * 90.0;
    let crooked = "a rotation tag that is no multiple of 90 degrees";
    if (clockwise_deg - whole_deg).abs() > 1.0 {
        return Err(crooked);
    }
    Rotation::from_clockwise_deg(whole_deg as i32).ok_or(crooked)
}

/// What follows the whole second: its fraction, and the zone's text.
fn fraction_and_zone(text: &str) -> Option<(f64, &str)> {
    let rest = text.get(19..)?;
    if !rest.starts_with('.') {
        return Some((0.0, rest));
    }
    let digits = rest[1..].find(|c: char| !c.is_ascii_digit()).map_or(rest.len(), |n| n + 1);
    Some((rest[..digits].parse::<f64>().unwrap_or(0.0), &rest[digits..]))
}

/// Seconds ahead of universal time of `+hh:mm`, `+hhmm` or `+hh`.
fn zone_s_of(zone: &str) -> Option<i64> {
    let (sign, rest) = zone.split_at_checked(1)?;
    let digits: String = rest.chars().filter(char::is_ascii_digit).collect();
    let hours = digits.get(0..2)?.parse::<i64>().ok()?;
    let minutes = digits.get(2..4).and_then(|m| m.parse::<i64>().ok()).unwrap_or(0);
    let total_s = hours * 3600 + minutes * 60;
    match sign {
        "+" => Some(total_s),
        "-" => Some(-total_s),
        _ => None,
    }
}

/// Seconds ahead of universal time, where an ISO 8601 stamp names a zone by its hours.
fn zone_s_from_iso(text: &str) -> Option<i32> {
    i32::try_from(zone_s_of(fraction_and_zone(text.trim())?.1)?).ok()
}

/// Seconds since 1970 of an ISO 8601 stamp, with `Z`, `+hh:mm`, `+hhmm` or no zone (then UTC).
fn unix_s_from_iso(text: &str) -> Option<f64> {
    let text = text.trim();
    let number = |range: std::ops::Range<usize>| text.get(range)?.parse::<i64>().ok();
    let (year, month, day) = (number(0..4)?, number(5..7)?, number(8..10)?);
    let (hour, minute, second) = (number(11..13)?, number(14..16)?, number(17..19)?);
    if !(1..=12).contains(&month) || !(1..=31).contains(&day) {
        return None;
    }
    let (fraction_s, zone) = fraction_and_zone(text)?;
    let zone_s = if zone.starts_with(['+', '-']) { zone_s_of(zone)? } else { 0 };
    // Days of the civil calendar since 1970-01-01: years that start in March make the leap day the last one.
    let shifted_year = if month <= 2 { year - 1 } else { year };
    let era = shifted_year.div_euclid(400);
    let year_of_era = shifted_year - era * 400;
    let month_from_march = (month + 9) % 12;
    let day_of_year = (153 * month_from_march + 2) / 5 + day - 1;
    let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    let days = era * 146_097 + day_of_era - 719_468;
    Some((days * 86_400 + hour * 3600 + minute * 60 + second - zone_s) as f64 + fraction_s)
}

#[cfg(test)]
mod tests {
    use super::{unix_s_from_iso, zone_s_from_iso};

    /// Check values: `date -u -d STAMP +%s` of GNU coreutils.
    #[test]
    fn truth_iso_stamps_against_gnu_date() {
        for (stamp, unix_s) in [
            ("1970-01-01T00:00:00.000000Z", 0.0),
            ("2024-02-29T23:59:59.500000Z", 1_709_251_199.5),
            ("2025-06-14T10:30:00+0200", 1_749_889_800.0),
            ("2025-06-14T10:30:00-05:30", 1_749_916_800.0),
            ("2000-03-01 00:00:00", 951_868_800.0),
        ] {
            assert_eq!(unix_s_from_iso(stamp), Some(unix_s), "{stamp}");
        }
        for (stamp, zone_s) in [
            ("2025-06-14T10:30:00+0200", Some(7200)),
            ("2025-06-14T10:30:00.25-05:30", Some(-19_800)),
            ("2025-06-14T10:30:00Z", None),
            ("2025-06-14T10:30:00", None),
        ] {
            assert_eq!(zone_s_from_iso(stamp), zone_s, "{stamp}");
        }
        assert_eq!(unix_s_from_iso("yesterday"), None);
        assert_eq!(unix_s_from_iso(""), None);
    }
}
