//! The inks: one palette, one set of class rules, used with variables on pages and with plain values inside
//! standalone SVG files.
//!
//! The palette is our own, chosen on the requirement that every ink keeps 4.5:1 contrast on its paper (WCAG 2.2,
//! 1.4.3) and that the four data inks stay apart for readers who lack one kind of cone; the tests compute both.
//! Shape and dash say the same as colour everywhere.

/// One ink: its name and its colour on light and on dark paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ink {
    /// Name of the variable, without dashes.
    pub name: &'static str,
    /// On light paper.
    pub light: &'static str,
    /// On dark paper.
    pub dark: &'static str,
}

/// Everything that has a colour.
pub const INKS: &[Ink] = &[
    Ink { name: "paper", light: "#fbf9f3", dark: "#1c1d1c" },
    Ink { name: "leaf", light: "#f3efe4", dark: "#262826" },
    Ink { name: "ink", light: "#24272a", dark: "#ece8dc" },
    Ink { name: "soft", light: "#5c5e59", dark: "#b3afa3" },
    Ink { name: "rule", light: "#d9d2bf", dark: "#43453f" },
    Ink { name: "margin", light: "#a84a35", dark: "#d98a72" },
    Ink { name: "forward", light: "#0c599e", dark: "#6fcdf7" },
    Ink { name: "back", light: "#a25811", dark: "#f0bd95" },
    Ink { name: "dip", light: "#550e45", dark: "#ea68a6" },
    Ink { name: "dome", light: "#374412", dark: "#ceee72" },
];

/// Class rules of plots with colours filled in by `colour(name)`.
#[must_use]
pub fn rules(colour: impl Fn(&str) -> String) -> String {
    const TEMPLATE: &str = "\
.plot text{font-family:\"Iowan Old Style\",\"Palatino Linotype\",Palatino,\"P052\",Georgia,\"DejaVu Serif\",serif;font-size:12px;fill:[ink];font-variant-numeric:tabular-nums lining-nums;paint-order:stroke;stroke:[paper];stroke-width:3px;stroke-linejoin:round}\
.plot .title{font-size:13.5px;font-style:italic}\
.plot .big{font-size:17px}\
.plot .tick,.plot .axisname,.plot .note{fill:[soft];font-size:11.5px}\
.plot .axisname,.plot .note{font-style:italic}\
.plot line,.plot polyline,.plot path,.plot polygon{fill:none;stroke:[ink];stroke-width:1;stroke-linejoin:round;stroke-linecap:round}\
.plot .grid{stroke:[rule];stroke-width:.7}\
.plot .axis{stroke:[soft];stroke-width:.9}\
.plot .zero{stroke:[soft];stroke-width:.9;stroke-dasharray:1 3}\
.plot .path-forward{stroke:[forward];stroke-width:2.1}\
.plot .path-back{stroke:[back];stroke-width:2.1}\
.plot .outside{stroke-width:1;stroke-dasharray:4 3;opacity:.8}\
.plot .second{stroke:[dome];stroke-width:1.6;stroke-dasharray:7 2.5}\
.plot .band-forward{fill:[forward];stroke:none;fill-opacity:.16}\
.plot .band-back{fill:[back];stroke:none;fill-opacity:.16}\
.plot .band-second{fill:[dome];stroke:none;fill-opacity:.18}.plot .series-0{stroke:[forward];stroke-width:2.1}\
.plot .series-1{stroke:[back];stroke-width:2.1;stroke-dasharray:8 2.5}\
.plot .series-2{stroke:[dip];stroke-width:2.1;stroke-dasharray:2.5 3}\
.plot .series-3{stroke:[dome];stroke-width:2.1;stroke-dasharray:10 3 2 3}\
.plot .series-4{stroke:[soft];stroke-width:2.1}\
.plot .series-5{stroke:[ink];stroke-width:1.4;stroke-dasharray:4 2}\
.plot .band-s0{fill:[forward];stroke:none;fill-opacity:.16}.plot .band-s1{fill:[back];stroke:none;fill-opacity:.16}\
.plot .band-s2{fill:[dip];stroke:none;fill-opacity:.14}.plot .band-s3{fill:[dome];stroke:none;fill-opacity:.14}\
.plot .band-s4{fill:[soft];stroke:none;fill-opacity:.14}.plot .band-s5{fill:[ink];stroke:none;fill-opacity:.1}\
.plot .t-s0{fill:[forward]}.plot .t-s1{fill:[back]}.plot .t-s2{fill:[dip]}.plot .t-s3{fill:[dome]}.plot .t-s4{fill:[soft]}\
.plot .thin{stroke-width:1;opacity:.6}.plot .whisker{stroke-width:1.6;stroke-dasharray:none}.plot .chord{stroke:[ink];stroke-width:1;stroke-dasharray:9 3 2 3}\
.plot .dots{stroke-width:4.4;stroke-dasharray:none}.plot .dots.few{stroke-width:2.4}\
.plot .hull{stroke:[dip];stroke-width:1;stroke-dasharray:2 2.5}\
.plot .dip{stroke:[dip];stroke-width:1.5}\
.plot .dipfill{fill:[dip];stroke:none;fill-opacity:.2}\
.plot .dome{stroke:[dome];stroke-width:1.5}\
.plot .t-dip{fill:[dip]}.plot .t-dome{fill:[dome]}.plot .t-forward{fill:[forward]}.plot .t-back{fill:[back]}\
.plot .ramp{stroke:[soft];stroke-width:1.3;stroke-dasharray:6 4}\
.plot .rod{stroke:[soft];stroke-width:1}\
.plot .rod.bent{stroke:[ink];stroke-width:1.4}\
.plot .leader{stroke:[soft];stroke-width:.6}\
.plot .when{stroke:[soft];stroke-width:.7;stroke-dasharray:3 3}\
.plot .mark{fill:[paper];stroke:[ink];stroke-width:1.4}\
.plot .mark.full{fill:[ink]}\
.plot circle{fill:[paper];stroke:[ink];stroke-width:1.4}\
.plot circle.path-forward{fill:[forward];stroke:[forward]}.plot circle.path-back{fill:[paper];stroke:[back];stroke-width:1.6}\
.plot .sheet{fill:[paper];stroke:none}\
.plot .margin{stroke:[margin];stroke-width:.8}\
";
    let mut out = TEMPLATE.to_owned();
    for ink in INKS {
        out = out.replace(&format!("[{}]", ink.name), &colour(ink.name));
    }
    out
}

/// Class rules with the colours of light paper, for standalone files: readers of SVG know no variables.
#[must_use]
pub fn standalone_rules() -> String {
    rules(|name| INKS.iter().find(|i| i.name == name).map_or("#000", |i| i.light).to_owned())
}

/// Class rules with variables, and the variables for light and dark.
#[must_use]
pub fn page_rules() -> String {
    let list = |pick: fn(&Ink) -> &'static str| -> String {
        INKS.iter().map(|i| format!("--{}:{};", i.name, pick(i))).collect()
    };
    let light = list(|i| i.light);
    let dark = list(|i| i.dark);
    format!(
        ":root{{color-scheme:light;{light}}}\
         @media (prefers-color-scheme:dark){{:root:not([data-paper=light]){{color-scheme:dark;{dark}}}}}\
         :root[data-paper=dark]{{color-scheme:dark;{dark}}}\
         @media print{{:root,:root:not([data-paper=light]),:root[data-paper=dark]{{color-scheme:light;{light}}}}}\
         {}",
        rules(|name| format!("var(--{name})"))
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn linear(hex: &str) -> [f64; 3] {
        let channel = |k: usize| {
            let byte = u8::from_str_radix(&hex[1 + 2 * k..3 + 2 * k], 16).unwrap();
            let c = f64::from(byte) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        [channel(0), channel(1), channel(2)]
    }

    fn luminance(rgb: [f64; 3]) -> f64 {
        0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2]
    }

    fn ink(name: &str, dark: bool) -> &'static str {
        let ink = INKS.iter().find(|i| i.name == name).unwrap();
        if dark { ink.dark } else { ink.light }
    }

    /// Contrast ratio as defined by WCAG 2.2 (W3C Recommendation, 5 October 2023), success criterion 1.4.3.
    #[test]
    fn truth_every_text_ink_has_aa_contrast_on_both_papers() {
        for dark in [false, true] {
            for paper in ["paper", "leaf"] {
                for name in ["ink", "soft", "margin", "forward", "back", "dip", "dome"] {
                    let (a, b) = (luminance(linear(ink(paper, dark))), luminance(linear(ink(name, dark))));
                    let ratio = (a.max(b) + 0.05) / (a.min(b) + 0.05);
                    assert!(ratio >= 4.5, "{name} on {paper}, dark {dark}: {ratio:.2}");
                }
            }
        }
    }

    fn lab(rgb: [f64; 3]) -> [f64; 3] {
        // sRGB to XYZ (D65) and CIELAB, IEC 61966-2-1 and CIE 15.
        let [r, g, b] = rgb.map(|c| c.clamp(0.0, 1.0));
        let f = |v: f64| if v > 0.008_856 { v.cbrt() } else { 7.787 * v + 16.0 / 116.0 };
        let x = f((0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505);
        let y = f(0.2126 * r + 0.7152 * g + 0.0722 * b);
        let z = f((0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089);
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    /// Matrices of full protanopia, deuteranopia and tritanopia: Machado, Oliveira, Fernandes, IEEE Trans. Vis.
    /// Comput. Graph. 15 (2009) 1291, severity 1.0 (from memory; rows checked to sum to 1).
    const LACKING: [(&str, [[f64; 3]; 3]); 3] = [
        (
            "protan",
            [
                [0.152_286, 1.052_583, -0.204_868],
                [0.114_503, 0.786_281, 0.099_216],
                [-0.003_882, -0.048_116, 1.051_998],
            ],
        ),
        (
            "deutan",
            [
                [0.367_322, 0.860_646, -0.227_968],
                [0.280_085, 0.672_501, 0.047_413],
                [-0.011_820, 0.042_940, 0.968_881],
            ],
        ),
        (
            "tritan",
            [
                [1.255_528, -0.076_749, -0.178_779],
                [-0.078_411, 0.930_809, 0.147_602],
                [0.004_733, 0.691_367, 0.303_900],
            ],
        ),
    ];

    #[test]
    fn truth_data_inks_stay_apart_without_one_kind_of_cone() {
        for (name, matrix) in LACKING {
            for row in matrix {
                assert!((row.iter().sum::<f64>() - 1.0).abs() < 1e-3, "{name}");
            }
            for dark in [false, true] {
                // The pairs that meet in one drawing and must be told apart by colour as well as by shape.
                for (a, b) in [
                    ("forward", "back"),
                    ("forward", "dip"),
                    ("back", "dome"),
                    ("forward", "dome"),
                    ("back", "dip"),
                    ("dip", "dome"),
                ] {
                    let seen = |hex: &str| {
                        let c = linear(hex);
                        lab(matrix.map(|row| row[0] * c[0] + row[1] * c[1] + row[2] * c[2]))
                    };
                    let (p, q) = (seen(ink(a, dark)), seen(ink(b, dark)));
                    let apart = (0..3).map(|k| (p[k] - q[k]).powi(2)).sum::<f64>().sqrt();
                    assert!(apart >= 20.0, "{a} and {b} for {name}, dark {dark}: {apart:.1}");
                }
            }
        }
    }
}
