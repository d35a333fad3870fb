//! What things are made of: a colour and how light runs over it.

use tiny_skia::{Color, GradientStop, LinearGradient, Paint, Point, Rect, Shader, SpreadMode, Transform};

/// Red, green, blue.
pub type Rgb = [u8; 3];

/// A material by its name in a drawing; `own` is the machine's colour.
pub fn colour(name: &str, own: Rgb) -> Rgb {
    match name {
        "body" => own,
        "deep" => own.map(|v| (u16::from(v) * 6 / 10) as u8),
        "pale" => own.map(|v| 255 - (255 - v) / 2),
        "black" => [42, 42, 46],
        "rubber" => [34, 33, 33],
        "grey" => [112, 116, 120],
        "steel" => [150, 155, 160],
        "alu" => [190, 194, 196],
        "chrome" => [205, 208, 212],
        "rust" => [134, 82, 52],
        "soot" => [66, 56, 50],
        "white" => [232, 231, 226],
        "paper" => [238, 237, 232],
        "china" => [240, 238, 230],
        "brass" => [186, 152, 84],
        "copper" => [176, 108, 72],
        "wood" => [170, 130, 86],
        "card" => [214, 186, 120],
        "red" => [190, 46, 38],
        "yellow" => [222, 178, 40],
        "green" => [60, 128, 74],
        "blue" => [52, 92, 150],
        "fuel" => [196, 158, 60],
        "water" => [150, 170, 176],
        "glass" => [196, 214, 214],
        "hole" => [16, 15, 15],
        "ink" => [30, 28, 32],
        _ => [128, 128, 128],
    }
}

fn part(rgb: Rgb, share: f32, alpha: f32) -> Color {
    let at = |v: u8| {
        let v = f32::from(v) / 255.0;
        if share > 0.0 { v + (1.0 - v) * share } else { v * (1.0 + share) }
    };
    let [r, g, b] = rgb.map(at);
    Color::from_rgba(r.clamp(0.0, 1.0), g.clamp(0.0, 1.0), b.clamp(0.0, 1.0), alpha).unwrap_or(Color::BLACK)
}

/// Light from above and a little from the left over a thing that fills `bounds`.
pub fn lit(name: &str, own: Rgb, bounds: Rect) -> Paint<'static> {
    let rgb = colour(name, own);
    let alpha = match name {
        "glass" => 0.45,
        "fuel" | "water" => 0.85,
        _ => 1.0,
    };
    let stops: &[(f32, f32)] = match name {
        "chrome" | "steel" | "alu" => {
            &[(0.0, 0.35), (0.28, 0.55), (0.45, -0.12), (0.62, 0.1), (0.8, -0.3), (1.0, -0.45)]
        }
        "hole" | "ink" => &[(0.0, -0.3), (1.0, 0.12)],
        "paper" | "white" | "card" | "china" => &[(0.0, 0.12), (0.6, 0.0), (1.0, -0.14)],
        _ => &[(0.0, 0.38), (0.18, 0.16), (0.55, 0.0), (1.0, -0.42)],
    };
    let stops = stops.iter().map(|(at, share)| GradientStop::new(*at, part(rgb, *share, alpha))).collect();
    let from = Point::from_xy(bounds.left() + bounds.width() * 0.35, bounds.top());
    let to = Point::from_xy(bounds.left() + bounds.width() * 0.65, bounds.bottom().max(bounds.top() + 0.1));
    let shader = LinearGradient::new(from, to, stops, SpreadMode::Pad, Transform::identity());
    Paint { shader: shader.unwrap_or(Shader::SolidColor(part(rgb, 0.0, alpha))), ..Paint::default() }
}

/// One flat colour, lighter (to 1) or darker (to -1).
pub fn flat(rgb: Rgb, share: f32, alpha: f32) -> Paint<'static> {
    Paint { shader: Shader::SolidColor(part(rgb, share, alpha)), ..Paint::default() }
}
