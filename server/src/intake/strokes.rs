//! The strokes of a finger signature: what was drawn, point by point, and an outline to show it by.

use std::fmt::Write;

/// Most points of a signature.
const MAX_POINTS: usize = 20_000;

/// A signature's strokes: `[x, y, milliseconds since the first point]`, in pixels of the pad.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Strokes {
    /// Width of the pad, pixels.
    pub width: i64,
    /// Height of the pad, pixels.
    pub height: i64,
    /// The strokes.
    pub strokes: Vec<Vec<[i64; 3]>>,
}

/// Reads a strokes file: canonical JSON, bounded, every point on the pad.
///
/// # Errors
/// A sentence.
pub fn parse(bytes: &[u8]) -> Result<Strokes, String> {
    let value = evidence::canon::parse(bytes).map_err(|e| e.to_string())?;
    let members = value.as_object().filter(|m| m.len() == 4).ok_or("strokes have height, strokes, v and width")?;
    let whole = |name: &str| members.get(name).and_then(serde_json::Value::as_i64).filter(|n| (1..=10_000).contains(n));
    let (Some(width), Some(height), Some(1)) = (whole("width"), whole("height"), whole("v")) else {
        return Err("the pad has a width and a height between 1 and 10000, and v is 1".into());
    };
    let strokes: Vec<Vec<[i64; 3]>> = serde_json::from_value(members.get("strokes").cloned().unwrap_or_default())
        .map_err(|_| "strokes are lists of points [x, y, milliseconds]")?;
    let points = strokes.iter().flatten();
    if points.clone().count() > MAX_POINTS || strokes.iter().any(Vec::is_empty) || strokes.is_empty() {
        return Err(format!("a signature has between 1 and {MAX_POINTS} points, and no empty stroke"));
    }
    for [x, y, t] in points {
        if !(0..=width).contains(x) || !(0..=height).contains(y) || !(0..=3_600_000).contains(t) {
            return Err("a point lies beside the pad, or its time makes no sense".into());
        }
    }
    Ok(Strokes { width, height, strokes })
}

impl Strokes {
    /// The path data of an SVG that shows the strokes.
    pub fn path(&self) -> String {
        let mut d = String::new();
        for stroke in &self.strokes {
            for (i, [x, y, _]) in stroke.iter().enumerate() {
                let _ = write!(d, "{}{x} {y}", if i == 0 { 'M' } else { 'L' });
            }
            if let [[x, y, _]] = stroke.as_slice() {
                let _ = write!(d, "L{} {y}", x + 1);
            }
        }
        d
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strokes_are_read_and_drawn() {
        let s = parse(br#"{"height":10,"strokes":[[[1,2,0],[3,4,16]],[[5,5,20]]],"v":1,"width":10}"#).unwrap();
        assert_eq!(s.path(), "M1 2L3 4M5 5L6 5");
    }

    #[test]
    fn what_is_not_a_signature_is_refused() {
        for bad in [
            &br#"{"height":10,"strokes":[],"v":1,"width":10}"#[..],
            br#"{"height":10,"strokes":[[[11,2,0]]],"v":1,"width":10}"#,
            br#"{"height":10,"strokes":[[[1,2]]],"v":1,"width":10}"#,
            br#"{"height":0,"strokes":[[[0,0,0]]],"v":1,"width":10}"#,
            br#"{"height":10, "strokes":[[[1,2,0]]],"v":1,"width":10}"#,
            b"<svg/>",
        ] {
            assert!(parse(bad).is_err());
        }
    }
}
