//! QR codes as pictures.

use qrcode::render::svg::Color;
use qrcode::{EcLevel, QrCode};

use crate::problem::Problem;

/// A QR code as one `<svg>` element, dark on light whatever the page's colours, with its quiet zone. It carries no style
/// and no script, so it may stand in a page.
///
/// # Errors
/// When the text is too long for a QR code (about 2 KB).
pub fn svg(text: &str) -> Result<String, Problem> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M).map_err(Problem::internal)?;
    let picture = code.render::<Color<'_>>().min_dimensions(240, 240).build();
    let element = picture.find("<svg").map_or(picture.as_str(), |at| &picture[at..]);
    Ok(element.to_owned())
}
