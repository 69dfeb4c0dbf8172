//! The document around a page's content: head, style, script, and nothing from outside.

use crate::plot::style;
use crate::plot::svg::escape;
use tipwright::model::ReportUnits;

const STYLE: &str = include_str!("../assets/page.css");
const SCRIPT: &str = include_str!("../assets/page.js");
/// three.js with its SVG renderer and orbit controls in one script, see assets/README.md; inert until wanted.
const SPACE_SCRIPT: &str = include_str!("../assets/space-view.min.js");

/// A whole document. The policy in its head forbids every request: what is needed is inside.
#[must_use]
pub fn document(title: &str, units: ReportUnits, body: &str) -> String {
    let units = match units {
        ReportUnits::M => "m",
        ReportUnits::Ft => "ft",
    };
    let mut out = String::with_capacity(body.len() + SPACE_SCRIPT.len() + 40_000);
    out.push_str("<!doctype html>\n<html lang=\"en\" data-units=\"");
    out.push_str(units);
    out.push_str("\">\n<head>\n<meta charset=\"utf-8\">\n");
    out.push_str("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
    out.push_str(
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; \
         script-src 'unsafe-inline'; img-src data: file:; media-src file:\">\n",
    );
    out.push_str("<link rel=\"icon\" href=\"data:,\">\n<title>");
    out.push_str(&escape(title));
    out.push_str("</title>\n<style>\n");
    out.push_str(&style::page_rules());
    out.push_str(STYLE);
    out.push_str("</style>\n</head>\n<body>\n<a class=\"skip\" href=\"#main\">Skip to the results</a>\n");
    out.push_str(body);
    out.push_str("\n<div id=\"definition\" role=\"tooltip\" hidden></div>\n<script type=\"text/plain\" id=\"space-view\">");
    out.push_str(&SPACE_SCRIPT.replace("</script", "<\\/script"));
    out.push_str("</script>\n<script>\n");
    out.push_str(SCRIPT);
    out.push_str("</script>\n</body>\n</html>\n");
    out
}
