//! The tag to print: fits a wired tag and a label.

use maud::{DOCTYPE, PreEscaped, html};

use crate::words::Catalogue;

/// The tag's style; its hash stands in the page's policy.
pub const STYLE: &str = "@page{size:100mm 60mm;margin:4mm}*{box-sizing:border-box}body{margin:0;font:14px/1.3 system-ui,sans-serif;color:#000;background:#fff}main{width:92mm;min-height:50mm;border:.6mm solid #000;padding:3mm 3mm 3mm 12mm;display:grid;grid-template-columns:1fr 28mm;gap:2mm;position:relative;overflow-wrap:anywhere}i{position:absolute;left:3mm;top:50%;width:5mm;height:5mm;margin-top:-2.5mm;border:.5mm solid #000;border-radius:50%}h1{font:700 34px ui-monospace,monospace;margin:0}p{margin:0}svg{width:28mm;height:28mm}.small{font-size:11px}";

/// What stands on the tag.
#[derive(Debug)]
pub struct Tag<'a> {
    /// The catalogue.
    pub words: &'a Catalogue,
    /// The number.
    pub tag: &'a str,
    /// The shop.
    pub shop: &'a str,
    /// Kind, make and model.
    pub machine: &'a str,
    /// When it was brought in, shop time.
    pub when: &'a str,
    /// What the code says.
    pub code: &'a str,
}

/// The page.
pub fn render(tag: &Tag<'_>) -> String {
    let svg = qrcode::QrCode::new(tag.code.as_bytes())
        .map(|c| c.render::<qrcode::render::svg::Color<'_>>().quiet_zone(true).build())
        .unwrap_or_default();
    html! {
        (DOCTYPE)
        html lang=(tag.words.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (tag.tag) ", " (tag.shop) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    i {}
                    div {
                        h1 { (tag.tag) }
                        p { b { (tag.machine) } }
                        p { (tag.when) }
                        p.small { (tag.shop) }
                        p.small { (tag.words.plain("receipt.tag-caution")) }
                    }
                    div role="img" aria-label=(tag.tag) { (PreEscaped(svg.find("<svg").map_or(svg.as_str(), |i| &svg[i..]))) }
                }
            }
        }
    }
    .into_string()
}
