//! A sheet as SVG and as PDF.

use std::fmt::Write as _;

use super::text::width_mm;
use super::{Item, Sheet};
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
                Item::Text { x, y, size, centred, text } => writeln!(
                    out,
                    "<text x=\"{x:.3}\" y=\"{y:.3}\" font-size=\"{size}\" font-family=\"Helvetica, Arial, Liberation Sans, sans-serif\" text-anchor=\"{}\">{}</text>",
                    if *centred { "middle" } else { "start" },
                    escape(text)
                ),
            };
        }
        out.push_str("</svg>\n");
        out
    }

    /// The page as PDF 1.4 in true size. Tells viewers not to scale it when printing.
    #[must_use]
    pub fn pdf(&self) -> Vec<u8> {
        let [w, h] = self.page_mm;
        let mut content = String::from("0 g\n");
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
                Item::Text { x, y, size, centred, text } => {
                    let left = if *centred { x - width_mm(text, *size) / 2.0 } else { *x };
                    writeln!(
                        content,
                        "BT /F1 {:.3} Tf {:.4} {:.4} Td ({}) Tj ET",
                        size * POINTS_PER_MM,
                        left * POINTS_PER_MM,
                        (h - y) * POINTS_PER_MM,
                        literal(text)
                    )
                }
            };
        }
        let objects = [
            "<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>".to_string(),
            "<< /Type /Pages /Kids [3 0 R] /Count 1 >>".to_string(),
            format!(
                "<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {:.4} {:.4}] /Resources << /Font << /F1 4 0 R >> >> /Contents 5 0 R >>",
                w * POINTS_PER_MM,
                h * POINTS_PER_MM
            ),
            "<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>".to_string(),
            format!("<< /Length {} >>\nstream\n{content}\nendstream", content.len() + 1),
            format!("<< /Title ({}) /Producer (tipwright) >>", literal(&self.title)),
        ];
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
            "trailer\n<< /Size {} /Root 1 0 R /Info 6 0 R >>\nstartxref\n{table}\n%%EOF\n",
            objects.len() + 1
        );
        out.into_bytes()
    }
}

/// Text inside a PDF string; letters beyond ASCII become question marks (the sheet has none).
fn literal(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '(' | ')' | '\\' => {
                out.push('\\');
                out.push(c);
            }
            ' '..='~' => out.push(c),
            _ => out.push('?'),
        }
    }
    out
}
