//! Sheets as SVG and as PDF.

use std::fmt::Write as _;

use super::text::{Face, width_mm};
use super::{Ink, Item, Sheet};
use crate::plot::svg::escape;

/// Points per millimetre.
const POINTS_PER_MM: f64 = 72.0 / 25.4;

impl Sheet {
    /// The page as SVG in true size.
    #[must_use]
    pub fn svg(&self) -> String {
        let [w, h] = self.page_mm;
        let mut out = String::new();
        let _ = writeln!(
            out,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\">\n\
             <title>{}</title>\n<rect width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>",
            escape(&self.title)
        );
        for item in &self.items {
            let _ = match item {
                Item::Fill { x, y, width, height } => {
                    writeln!(
                        out,
                        "<rect x=\"{x:.3}\" y=\"{y:.3}\" width=\"{width:.3}\" height=\"{height:.3}\"/>"
                    )
                }
                Item::Text { x, y, size, centred, face, text } => writeln!(
                    out,
                    "<text x=\"{x:.3}\" y=\"{y:.3}\" font-size=\"{size}\" {} text-anchor=\"{}\">{}</text>",
                    svg_font(*face),
                    if *centred { "middle" } else { "start" },
                    escape(text)
                ),
                Item::Line { points, width, closed, dash, ink } => writeln!(
                    out,
                    "<{} points=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{width:.3}\" stroke-linejoin=\"round\"{}/>",
                    if *closed { "polygon" } else { "polyline" },
                    svg_points(points),
                    svg_ink(*ink),
                    dash.map_or(String::new(), |d| format!(" stroke-dasharray=\"{d:.3}\""))
                ),
                Item::Shape { points, ink } => {
                    writeln!(out, "<polygon points=\"{}\" fill=\"{}\"/>", svg_points(points), svg_ink(*ink))
                }
            };
        }
        out.push_str("</svg>\n");
        out
    }

    /// The page as PDF.
    #[must_use]
    pub fn pdf(&self) -> Vec<u8> {
        pdf(std::slice::from_ref(self), &self.title)
    }

    fn pdf_content(&self) -> String {
        let h = self.page_mm[1];
        let mut content = String::from("0 g 1 j\n");
        for item in &self.items {
            let _ = match item {
                Item::Fill { x, y, width, height } => writeln!(
                    content,
                    "{:.4} {:.4} {:.4} {:.4} re f",
                    x * POINTS_PER_MM,
                    (h - y - height) * POINTS_PER_MM,
                    width * POINTS_PER_MM,
                    height * POINTS_PER_MM
                ),
                Item::Text { x, y, size, centred, face, text } => {
                    let left = if *centred { x - width_mm(text, *face, *size) / 2.0 } else { *x };
                    writeln!(
                        content,
                        "BT /F{} {:.3} Tf {:.4} {:.4} Td ({}) Tj ET",
                        font_number(*face),
                        size * POINTS_PER_MM,
                        left * POINTS_PER_MM,
                        (h - y) * POINTS_PER_MM,
                        literal(text)
                    )
                }
                Item::Line { points, width, closed, dash, ink } => {
                    let dash = dash.map_or(String::new(), |d| format!("{:.3}", d * POINTS_PER_MM));
                    writeln!(
                        content,
                        "q {} RG {:.4} w [{dash}] 0 d {}{} Q",
                        pdf_ink(*ink),
                        width * POINTS_PER_MM,
                        pdf_way(points, h),
                        if *closed { "s" } else { "S" }
                    )
                }
                Item::Shape { points, ink } => {
                    writeln!(content, "q {} rg {}f Q", pdf_ink(*ink), pdf_way(points, h))
                }
            };
        }
        content
    }
}

/// Pages as one PDF 1.4 in true size. Tells viewers not to scale it when printing.
#[must_use]
pub fn pdf(sheets: &[Sheet], title: &str) -> Vec<u8> {
    // the catalogue, the list of pages, the fonts, what the file says of itself, then two objects a page
    let first_page = 4 + Face::ALL.len();
    let page_number = |i: usize| first_page + 2 * i;
    let fonts: String =
        Face::ALL.iter().map(|f| format!("/F{0} {1} 0 R ", font_number(*f), 2 + font_number(*f))).collect();
    let kids: String = (0..sheets.len()).map(|i| format!("{} 0 R ", page_number(i))).collect();
    let mut objects = vec![
        "<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>".to_string(),
        format!("<< /Type /Pages /Kids [{}] /Count {} >>", kids.trim_end(), sheets.len()),
    ];
    objects.extend(Face::ALL.iter().map(|face| {
        format!("<< /Type /Font /Subtype /Type1 /BaseFont /{} /Encoding /WinAnsiEncoding >>", face.name())
    }));
    objects.push(format!("<< /Title ({}) /Producer (tipwright) >>", literal(title)));
    for (i, sheet) in sheets.iter().enumerate() {
        let [w, h] = sheet.page_mm.map(|mm| mm * POINTS_PER_MM);
        objects.push(format!(
            "<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {w:.4} {h:.4}] /Resources << /Font << {fonts}>> >> /Contents {} 0 R >>",
            page_number(i) + 1
        ));
        let content = sheet.pdf_content();
        objects.push(format!("<< /Length {} >>\nstream\n{content}\nendstream", content.len() + 1));
    }
    let mut out = String::from("%PDF-1.4\n");
    let mut offsets = Vec::new();
    for (i, object) in objects.iter().enumerate() {
        offsets.push(out.len());
        let _ = write!(out, "{} 0 obj\n{object}\nendobj\n", i + 1);
    }
    let table = out.len();
    let _ = write!(out, "xref\n0 {}\n0000000000 65535 f \n", objects.len() + 1);
    for offset in offsets {
        let _ = writeln!(out, "{offset:010} 00000 n ");
    }
    let _ = write!(
        out,
        "trailer\n<< /Size {} /Root 1 0 R /Info {} 0 R >>\nstartxref\n{table}\n%%EOF\n",
        objects.len() + 1,
        first_page - 1
    );
    out.into_bytes()
}

fn font_number(face: Face) -> usize {
    1 + Face::ALL.iter().position(|f| *f == face).unwrap_or(0)
}

fn svg_font(face: Face) -> &'static str {
    match face {
        Face::Sans => "font-family=\"Helvetica, Arial, Liberation Sans, sans-serif\"",
        Face::Serif => "font-family=\"Times, Times New Roman, Liberation Serif, serif\"",
        Face::Bold => "font-family=\"Times, Times New Roman, Liberation Serif, serif\" font-weight=\"bold\"",
    }
}

fn svg_ink(ink: Ink) -> String {
    let [r, g, b] = ink.rgb();
    format!("#{r:02x}{g:02x}{b:02x}")
}

fn svg_points(points: &[[f64; 2]]) -> String {
    let each: Vec<String> = points.iter().map(|[x, y]| format!("{x:.3},{y:.3}")).collect();
    each.join(" ")
}

fn pdf_ink(ink: Ink) -> String {
    let each = ink.rgb().map(|c| format!("{:.3}", f64::from(c) / 255.0));
    each.join(" ")
}

fn pdf_way(points: &[[f64; 2]], page_height_mm: f64) -> String {
    let mut out = String::new();
    for (i, [x, y]) in points.iter().enumerate() {
        let (x, y) = (x * POINTS_PER_MM, (page_height_mm - y) * POINTS_PER_MM);
        let _ = write!(out, "{x:.4} {y:.4} {} ", if i == 0 { "m" } else { "l" });
    }
    out
}

/// Text inside a PDF string; letters that the fonts lack become question marks.
fn literal(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '(' | ')' | '\\' => {
                out.push('\\');
                out.push(c);
            }
            ' '..='~' => out.push(c),
            '\u{a0}'..='\u{ff}' => {
                let _ = write!(out, "\\{:03o}", u32::from(c));
            }
            _ => out.push('?'),
        }
    }
    out
}
