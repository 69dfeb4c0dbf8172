//! The keys of session.toml: one table for reading (`read`), for what an unknown key may have meant, and for the commented file
//! that `new` writes (`blank`).

use super::numbers::{self, Limits};

/// What a key holds.
#[derive(Debug, Clone, Copy)]
pub(super) enum Kind {
    /// Text for people.
    Text,
    /// A file or folder.
    Path,
    /// A name by the rule of `names`.
    Name,
    /// A day.
    Date,
    /// One of some words.
    OneOf(&'static [&'static str]),
    /// Key of a figure.
    Figure,
    /// A number with what to do when it lies outside.
    Number(Limits, &'static str),
    /// A whole number, the same way.
    Whole(Limits, &'static str),
    /// A table of its own, or written in one line.
    Table(&'static Table),
    /// Several such tables.
    Tables(&'static Table),
    /// Camera name to clip.
    Clips,
    /// Three numbers.
    Point,
}

/// A table of keys.
#[derive(Debug)]
pub(super) struct Table {
    /// Its keys, in the order they are written.
    pub keys: &'static [Key],
    /// Lines above it in the commented file.
    pub notes: &'static [&'static str],
    /// What the commented file holds; none: written in one line where it is used.
    pub examples: &'static [Example],
}

/// One table of the commented file.
#[derive(Debug)]
pub(super) struct Example {
    /// Stands there as a remark only.
    pub is_remark: bool,
    /// Values other than those of the keys.
    pub values: &'static [(&'static str, &'static str)],
    /// Only these keys; all when empty.
    pub only: &'static [&'static str],
}

/// A key.
#[derive(Debug)]
pub(super) struct Key {
    pub name: &'static str,
    pub kind: Kind,
    pub is_required: bool,
    /// Value in the commented file; optional keys stand there as remarks, unless `is_shown`.
    pub example: &'static str,
    /// Stands in the commented file although it is optional.
    pub is_shown: bool,
    /// What it is, beside the value.
    pub note: &'static str,
}

const fn must(name: &'static str, kind: Kind, example: &'static str, note: &'static str) -> Key {
    Key { name, kind, is_required: true, example, is_shown: true, note }
}

const fn may(name: &'static str, kind: Kind, example: &'static str, note: &'static str) -> Key {
    Key { name, kind, is_required: false, example, is_shown: false, note }
}

const fn usual(name: &'static str, kind: Kind, example: &'static str, note: &'static str) -> Key {
    Key { name, kind, is_required: false, example, is_shown: true, note }
}

const ONCE: Example = Example { is_remark: false, values: &[], only: &[] };

/// Colours, as [`tipwright::model::Colour`] reads them.
const COLOURS: Kind = Kind::OneOf(&["white", "red", "orange", "yellow", "green", "blue", "magenta"]);
const MARKER_MM: Kind = Kind::Number(
    super::MarkerMm::LIMITS,
    "write its diameter in millimetres; 25 to 40 are seen well from 8 m",
);
const CORNERS: Kind = Kind::Whole(numbers::CORNERS, "count INNER corners, at least 3 x 3");
const TIME: Kind = Kind::Number(super::ClipTimeS::LIMITS, "write seconds on the first camera's clock");

const BOARD: Table = Table {
    keys: &[
        may("columns", CORNERS, "9", "a coded board says it itself"),
        may("rows", CORNERS, "6", ""),
        may("pattern", Kind::OneOf(&["chessboard", "circles", "coded"]), "\"chessboard\"", ""),
        must("square_mm", Kind::Number(numbers::SQUARE_MM, "measure one square in millimetres"), "25.0", ""),
    ],
    notes: &[],
    examples: &[],
};

const WAND: Table = Table {
    keys: &[
        must(
            "length_m",
            Kind::Number(
                super::WandLengthM::LIMITS,
                "measure between the centres of its two markers and write it in metres",
            ),
            "1.000",
            "between the centres of its two markers, to the millimetre",
        ),
        may("colour", COLOURS, "\"white\"", "of its two markers; tried out when absent"),
        may("diameter_mm", MARKER_MM, "40", "of its two markers; the tip marker's when absent"),
    ],
    notes: &[],
    examples: &[ONCE],
};

const ROD: Table = Table {
    keys: &[must(
        "length_m",
        Kind::Number(super::RodLengthM::LIMITS, "write butt cap to tip-top in metres: 9 ft is 2.743"),
        "2.743",
        "butt cap to tip-top (9 ft = 2.743)",
    )],
    notes: &[],
    examples: &[ONCE],
};

const LINE: Table = Table {
    keys: &[
        may(
            "class",
            Kind::Number(super::LineClass::LIMITS, "write the class on the box, such as 5"),
            "5",
            "line-weight class",
        ),
        may(
            "mass_g_m",
            Kind::Number(super::LineMassGM::LIMITS, "write grams per metre"),
            "0.95",
            "or its mass",
        ),
        may(
            "length_out_m",
            Kind::Number(super::LineOutM::LIMITS, "write metres beyond the tip-top"),
            "10.0",
            "line beyond the tip-top",
        ),
    ],
    notes: &[],
    examples: &[Example { is_remark: true, ..ONCE }],
};

const TIP: Table = Table {
    keys: &[
        must("colour", COLOURS, "\"white\"", "white, red, orange, yellow, green, blue, magenta"),
        must("diameter_mm", MARKER_MM, "40", ""),
    ],
    notes: &["The bright marker at the tip-top, half a gram at most."],
    examples: &[ONCE],
};

const BUTT: Table = Table {
    keys: &[
        must(
            "at_m",
            Kind::Number(super::AlongRodM::LIMITS, "measure from the butt cap along the rod, in metres"),
            "0.40",
            "along the rod from the butt cap",
        ),
        must("colour", COLOURS, "\"green\"", ""),
        must("diameter_mm", MARKER_MM, "30", ""),
    ],
    notes: &["One or two more below the first ferrule: needed for load and timing."],
    examples: &[
        Example { is_remark: true, ..ONCE },
        Example { is_remark: true, values: &[("at_m", "0.90")], only: &[] },
    ],
};

const MARKER: Table = Table {
    keys: &[must("tip", Kind::Table(&TIP), "", ""), may("butt", Kind::Tables(&BUTT), "", "")],
    notes: &[],
    examples: &[],
};

const CAMERA: Table = Table {
    keys: &[
        must("name", Kind::Name, "\"west\"", ""),
        must(
            "lens",
            Kind::Path,
            "\"west/lens.mp4\"",
            "a clip or folder of stills of the board, or a lens .toml made before",
        ),
        usual(
            "board",
            Kind::Table(&BOARD),
            "{ columns = 9, rows = 6, square_mm = 25.0 }",
            "INNER corners; measure a square of your print; of others: pattern = \"coded\" or \"circles\"",
        ),
        may(
            "readout_ms",
            Kind::Number(
                super::ReadoutMs::LIMITS,
                "a rolling shutter reads a frame in 2 to 33 ms; leave the key out to have it estimated",
            ),
            "8.0",
            "rolling shutter; estimated when absent",
        ),
        may(
            "capture_fps",
            Kind::Number(
                super::CaptureFps::LIMITS,
                "write the rate the phone captured at, such as 240, or leave the key out",
            ),
            "240.0",
            "only for slow-motion files that lost their tag",
        ),
        may(
            "rough_position_m",
            Kind::Point,
            "[-0.7, -8.3, 1.3]",
            "for `tipwright plan`: metres from under the caster's hand, x the way the forward cast travels, y to its left, z up",
        ),
        may(
            "rough_look_at_m",
            Kind::Point,
            "[0.0, 0.0, 2.5]",
            "where it looks, the same way; the middle of the casting volume when absent",
        ),
    ],
    notes: &[
        "One [[camera]] per phone. Film all clips of a phone in the same mode: same lens, size, rate; stabilisation off;",
        "focus and exposure locked; sound on. The first camera's clock is the session's.",
    ],
    examples: &[
        ONCE,
        Example {
            is_remark: false,
            values: &[("name", "\"east\""), ("lens", "\"east/lens.mp4\"")],
            only: &["name", "lens", "board"],
        },
    ],
};

const SCENE: Table = Table {
    keys: &[
        usual(
            "wand",
            Kind::Clips,
            "{ west = \"west/wand.mp4\", east = \"east/wand.mp4\" }",
            "wand waved through the whole casting volume, all directions",
        ),
        usual(
            "plumb",
            Kind::Clips,
            "{ west = \"west/plumb.mp4\", east = \"east/plumb.mp4\" }",
            "wand hung still from one end",
        ),
        may(
            "toss",
            Kind::Clips,
            "{ west = \"west/toss.mp4\", east = \"east/toss.mp4\" }",
            "a bright ball tossed freely: checks scale and clock",
        ),
    ],
    notes: &[
        "One clip per camera each; film them again whenever a tripod was touched.",
        "Of one phone alone: no wand, and plumb is one clip of the wand hung still at two places, which tell the plane of the cast.",
    ],
    examples: &[ONCE],
};

const SET_UP: Table = Table {
    keys: &[
        must("name", Kind::Name, "\"noon\"", ""),
        must(
            "scene",
            Kind::Table(&SCENE),
            "{ wand = { west = \"west/wand2.mp4\", east = \"east/wand2.mp4\" } }",
            "as [scene]",
        ),
    ],
    notes: &[
        "Where tripods were moved, several of these instead of [scene]. So far the takes of the first one are measured.",
    ],
    examples: &[Example { is_remark: true, ..ONCE }],
};

const GOAL: Table = Table {
    keys: &[
        must("figure", Kind::Figure, "\"late_power\"", ""),
        may("above", Kind::Number(numbers::ANY, "write a number"), "0.6", ""),
        may("below", Kind::Number(numbers::ANY, "write a number"), "0.8", ""),
    ],
    notes: &[],
    examples: &[],
};

const TAKE: Table = Table {
    keys: &[
        must("name", Kind::Name, "\"01-before\"", ""),
        must("caster", Kind::Name, "\"01\"", "an id of casters.csv"),
        usual("phase", Kind::Name, "\"before\"", "optional label to compare by"),
        must("clips", Kind::Clips, "{ west = \"west/0001.mp4\", east = \"east/0001.mp4\" }", ""),
        may("from_s", TIME, "12.0", "the part of long clips, on the first camera's clock"),
        may("to_s", TIME, "31.5", ""),
        may("set_up", Kind::Name, "\"noon\"", "which [[set_up]]"),
        may(
            "goal",
            Kind::Table(&GOAL),
            "{ figure = \"late_power\", above = 0.6 }",
            "what the caster was asked to do",
        ),
    ],
    notes: &["One [[take]] per caster and phase. Clap once, in both pictures, at the start of each take."],
    examples: &[ONCE],
};

/// The whole file.
pub(super) const TOP: Table = Table {
    keys: &[
        must("schema", Kind::Whole(Limits { low: 1.0, high: 2.0 }, "this program reads 1 and 2"), "2", ""),
        usual("id", Kind::Name, "\"@ID@\"", "key of this session in every table: never change it"),
        usual("date", Kind::Date, "\"@DATE@\"", "day of the session"),
        must("title", Kind::Text, "\"@TITLE@\"", ""),
        usual(
            "report_units",
            Kind::OneOf(&["ft", "m"]),
            "\"ft\"",
            "\"ft\" or \"m\": what pages show first; files are always metric",
        ),
        usual(
            "air_temperature_c",
            Kind::Number(super::AirC::LIMITS, "write the air temperature in Celsius; 18 is fine if unknown"),
            "18.0",
            "for the speed of sound",
        ),
        must("wand", Kind::Table(&WAND), "", ""),
        must("rod", Kind::Table(&ROD), "", ""),
        may("line", Kind::Table(&LINE), "", ""),
        must("marker", Kind::Table(&MARKER), "", ""),
        must("camera", Kind::Tables(&CAMERA), "", ""),
        must("scene", Kind::Table(&SCENE), "", ""),
        may("set_up", Kind::Tables(&SET_UP), "", ""),
        may("take", Kind::Tables(&TAKE), "", ""),
    ],
    notes: &[
        "A tipwright session. Lines that start with # are notes or optional keys. Paths are relative to this file.",
        "When it is filled in: tipwright check .",
        "",
        "On the day: eye protection for everyone near a cast, a tuft of yarn instead of a hook; no casting near power lines",
        "or in thunder (rods conduct); tripods and cords secured; people and minors filmed only with consent, kept private.",
    ],
    examples: &[ONCE],
};
