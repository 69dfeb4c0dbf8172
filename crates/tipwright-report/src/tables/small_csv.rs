//! The small tables of a take: `rod.csv` and `spots_<camera>.csv`.

use tipwright::model::Role;
use tipwright::model::results::RodSample;

/// A spot as it was used: one row of `spots_<camera>.csv`. Upright pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpotRow {
    /// Position in the clip, from 0.
    pub frame_idx: u32,
    /// Presentation time after re-timing, seconds.
    pub pts_s: f64,
    /// Centre, x.
    pub x_px: f64,
    /// Centre, y.
    pub y_px: f64,
    /// Standard deviation per axis.
    pub sigma_px: f64,
    /// Which marker it was taken for.
    pub role: Role,
}

/// `rod.csv` as bytes.
///
/// # Errors
/// Only what the csv writer says.
pub fn rod(samples: &[RodSample]) -> Result<Vec<u8>, csv::Error> {
    let rows =
        samples.iter().map(|s| [s.t_s, s.butt_angle_deg, s.bend_m, s.bend_sigma_m].map(|v| v.to_string()));
    table(["t_s", "butt_angle_deg", "bend_m", "bend_sigma_m"], rows)
}

/// `spots_<camera>.csv` as bytes.
///
/// # Errors
/// Only what the csv writer says.
pub fn spots(rows: &[SpotRow]) -> Result<Vec<u8>, csv::Error> {
    let rows = rows.iter().map(|r| {
        let role = match r.role {
            Role::Tip => "tip",
            Role::Butt1 => "butt1",
            Role::Butt2 => "butt2",
        };
        [
            r.frame_idx.to_string(),
            r.pts_s.to_string(),
            r.x_px.to_string(),
            r.y_px.to_string(),
            r.sigma_px.to_string(),
            role.to_owned(),
        ]
    });
    table(["frame", "pts_s", "x_px", "y_px", "sigma_px", "role"], rows)
}

fn table<const N: usize>(
    header: [&str; N],
    rows: impl Iterator<Item = [String; N]>,
) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(header)?;
    for row in rows {
        writer.write_record(row)?;
    }
    writer.into_inner().map_err(|e| e.into_error().into())
}
