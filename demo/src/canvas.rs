//! A sheet on which a scene's lines are carried out, one after the other.
//!
//! A scene is text, a thing a line: `material outline` fills, `material~width outline` strokes, `material~width:on,off
//! outline` dashes. And `text size x y material WORDS`, `tag x y size degrees`, `plate x y width`, `put part x y size
//! degrees`, `zoom x y times` (the place comes to the middle), `turn x y degrees`, `mirror`, `plain` (no more of these).

use tiny_skia::{FillRule, LineCap, LineJoin, Path, PathBuilder, Pixmap, Rect, Stroke, StrokeDash, Transform};

use crate::paint::{self, Rgb};
use crate::{Shot, font, outline};

/// Units across and down: a scene is written in these.
pub const UNITS: (f32, f32) = (160.0, 120.0);
/// Beyond each edge so many units are drawn too, for the tilt of the camera.
pub const MARGIN: f32 = 4.0;

/// Where somebody stood with the phone: no two stand alike.
#[derive(Clone, Copy, Debug)]
pub struct Stand {
    /// How large the scene is seen.
    pub near: f32,
    /// How far its middle is to the right, in units.
    pub right: f32,
    /// How far it is down.
    pub down: f32,
    /// How far it is turned, degrees.
    pub turned: f32,
}

impl Stand {
    /// Straight before the scene.
    pub const STRAIGHT: Stand = Stand { near: 1.0, right: 0.0, down: 0.0, turned: 0.0 };

    fn seen(self) -> Transform {
        let (mx, my) = (UNITS.0 / 2.0, UNITS.1 / 2.0);
        Transform::from_translate(mx + self.right, my + self.down)
            .pre_scale(self.near, self.near)
            .pre_translate(-mx, -my)
            .pre_concat(turned(mx, my, self.turned))
    }
}

/// A sheet, transparent where nothing is drawn.
pub struct Canvas<'a> {
    /// What is drawn.
    pub sheet: Pixmap,
    shot: &'a Shot,
    own: Rgb,
    base: Transform,
    at: Transform,
}

impl<'a> Canvas<'a> {
    /// An empty sheet with so many pixels a unit.
    pub fn new(shot: &'a Shot, own: Rgb, scale: f32, stand: Stand) -> Option<Canvas<'a>> {
        let side = |units: f32| ((units + 2.0 * MARGIN) * scale) as u32;
        let sheet = Pixmap::new(side(UNITS.0), side(UNITS.1))?;
        let base = base(scale).pre_concat(stand.seen());
        Some(Canvas { sheet, shot, own, base, at: base })
    }

    /// Carries a scene out.
    pub fn run(&mut self, scene: &str) {
        for line in scene.lines().map(str::trim).filter(|l| !l.is_empty()) {
            let (word, rest) = line.split_once(' ').unwrap_or((line, ""));
            let n: Vec<f32> = rest.split(' ').map_while(|s| s.parse().ok()).collect();
            match (word, n.as_slice()) {
                ("put", _) => self.put(rest),
                ("plain", _) => self.at = self.base,
                ("zoom", [x, y, times]) => {
                    let (mx, my) = (UNITS.0 / 2.0, UNITS.1 / 2.0);
                    let zoom = Transform::from_translate(-x, -y).post_scale(*times, *times).post_translate(mx, my);
                    self.at = self.base.pre_concat(zoom);
                }
                ("turn", [x, y, degrees]) => self.at = self.at.pre_concat(turned(*x, *y, *degrees)),
                ("mirror", _) => {
                    self.at = self.at.pre_concat(Transform::from_row(-1.0, 0.0, 0.0, 1.0, UNITS.0, 0.0));
                }
                ("tag", [x, y, size, degrees]) => self.tag(*x, *y, *size, *degrees),
                ("plate", [x, y, width]) => self.plate(*x, *y, *width),
                ("text", [size, x, y]) => {
                    let words = rest.splitn(5, ' ').collect::<Vec<_>>();
                    if let [.., material, words] = words.as_slice() {
                        self.text(words, *size, *x, *y, material);
                    }
                }
                _ => self.thing(word, rest),
            }
        }
    }

    /// `put name x y size degrees`: a thing that stands in many scenes.
    fn put(&mut self, text: &str) {
        let (name, rest) = text.split_once(' ').unwrap_or((text, ""));
        let n: Vec<f32> = rest.split(' ').filter_map(|s| s.parse().ok()).collect();
        let (Some(part), [x, y, size, degrees]) = (crate::scenes::part(name), n.as_slice()) else { return };
        let before = self.at;
        self.at = self.at.pre_concat(Transform::from_translate(*x, *y).pre_scale(*size, *size));
        self.at = self.at.pre_concat(turned(0.0, 0.0, *degrees));
        self.run(part);
        self.at = before;
    }

    fn thing(&mut self, word: &str, text: &str) {
        let Some(path) = outline::path(text) else { return };
        match word.split_once('~') {
            Some((material, how)) => self.stroke(material, how, &path),
            None => self.fill(word, &path),
        }
    }

    /// A solid thing: lit, with a dark edge and a light one where the light falls on its rim.
    fn fill(&mut self, material: &str, path: &Path) {
        let rgb = paint::colour(material, self.own);
        self.sheet.fill_path(path, &paint::lit(material, self.own, path.bounds()), FillRule::EvenOdd, self.at, None);
        let rim = Stroke { width: 0.34, line_join: LineJoin::Round, ..Stroke::default() };
        self.sheet.stroke_path(path, &paint::flat(rgb, -0.62, 0.9), &rim, self.at, None);
        let small = path.bounds().width().min(path.bounds().height()) < 3.0;
        if !small && !matches!(material, "hole" | "ink" | "paper" | "glass") {
            let rim = Stroke { width: 0.3, ..rim };
            let inside = self.at.pre_concat(shrunk(path.bounds()));
            self.sheet.stroke_path(path, &paint::flat(rgb, 0.75, 0.55), &rim, inside, None);
        }
    }

    /// A round bar or a line: dark below, lit along its middle.
    fn stroke(&mut self, material: &str, how: &str, path: &Path) {
        let rgb = paint::colour(material, self.own);
        let (width, dash) = how.split_once(':').unwrap_or((how, ""));
        let width: f32 = width.parse().unwrap_or(1.0);
        let dash: Vec<f32> = dash.split(',').filter_map(|s| s.parse().ok()).collect();
        let cap = if dash.is_empty() { LineCap::Round } else { LineCap::Butt };
        let mut line = Stroke { width, line_cap: cap, line_join: LineJoin::Round, ..Stroke::default() };
        line.dash = StrokeDash::new(dash, 0.0);
        let mut pass = |share: f32, part: f32, up: f32| {
            let line = Stroke { width: width * part, ..line.clone() };
            let at = self.at.pre_translate(-up * 0.5, -up);
            self.sheet.stroke_path(path, &paint::flat(rgb, share, 1.0), &line, at, None);
        };
        pass(-0.55, 1.0, 0.0);
        if width > 0.9 {
            pass(0.0, 0.78, width * 0.05);
            pass(0.45, 0.26, width * 0.17);
        } else {
            pass(0.0, 0.7, 0.0);
        }
    }

    /// A line of text in capitals, its upper left corner given.
    pub fn text(&mut self, words: &str, size: f32, x: f32, y: f32, material: &str) {
        let words = words.replace("$MAKE", self.shot.machine.make).replace("$MODEL", self.shot.machine.model);
        let rgb = paint::colour(material, self.own);
        let unit = size / font::HEIGHT;
        // On a machine seen from its other side what is written still reads.
        let back =
            (self.at.sx * self.at.sy - self.at.kx * self.at.ky < 0.0).then(|| 2.0 * x + font::width(&words, size));
        let mut to = PathBuilder::new();
        for (i, sign) in words.chars().enumerate() {
            for line in font::strokes(sign) {
                for (n, (px, py)) in line.into_iter().enumerate() {
                    let (px, py) = (x + (i as f32 * font::STEP + px) * unit, y + py * unit);
                    let px = back.map_or(px, |b| b - px);
                    if n == 0 { to.move_to(px, py) } else { to.line_to(px, py) }
                }
            }
        }
        let Some(path) = to.finish() else { return };
        let pen =
            Stroke { width: unit * 0.95, line_cap: LineCap::Round, line_join: LineJoin::Round, ..Stroke::default() };
        self.sheet.stroke_path(&path, &paint::flat(rgb, 0.0, 1.0), &pen, self.at, None);
    }

    /// The shop's tag: card with a hole and a wire, its number large.
    fn tag(&mut self, x: f32, y: f32, size: f32, degrees: f32) {
        let before = self.at;
        self.at = self
            .at
            .pre_concat(Transform::from_translate(x, y).pre_scale(size, size))
            .pre_concat(turned(17.0, 7.0, degrees));
        self.run_here("steel~0.5 M3 7 Q-3 2 -6 5 Q-8 9 -2 9 Q2 8 4 7");
        self.run_here("card M0 7 L6 0 H36 V14 H6 Z");
        self.run_here("hole O4.6 7 1.3");
        let number = self.shot.tag.clone();
        let height = 7.0f32.min(26.0 / font::width(&number, 1.0));
        self.text(&number, height, 8.0, 7.0 - height / 2.0 - 0.6, "ink");
        self.text("TARN STREET ENGINES", 1.1, 8.0, 12.1, "ink");
        self.at = before;
    }

    /// The machine's plate: make, model, serial.
    fn plate(&mut self, x: f32, y: f32, width: f32) {
        let before = self.at;
        let size = width / 100.0;
        self.at = self.at.pre_concat(Transform::from_translate(x, y).pre_scale(size, size));
        let machine = self.shot.machine.clone();
        self.run_here("alu D0 0 100 58 4");
        self.run_here("body D3 3 94 17 2");
        self.text(machine.make, 9.0, 8.0, 7.0, "white");
        self.text("MODEL", 3.4, 7.0, 24.5, "ink");
        self.text(machine.model, 6.0, 28.0, 23.0, "ink");
        self.text("SERIAL", 3.4, 7.0, 34.5, "ink");
        self.text(&machine.serial, 6.0, 28.0, 33.0, "ink");
        self.text("MADE FOR A DEMO, NOT FOR SALE", 2.4, 7.0, 44.0, "ink");
        self.run_here("ink~0.4 M7 41.5 H93\nink~0.4 M7 49 H93");
        self.text(machine.about, 3.0, 7.0, 51.2, "ink");
        for (sx, sy) in [(93.0, 31.0), (93.0, 53.0)] {
            self.run_here(&format!("steel O{sx} {sy} 2.1"));
        }
        self.at = before;
    }

    fn run_here(&mut self, scene: &str) {
        for line in scene.lines() {
            let (word, rest) = line.split_once(' ').unwrap_or((line, ""));
            self.thing(word, rest);
        }
    }
}

fn base(scale: f32) -> Transform {
    Transform::from_translate(MARGIN, MARGIN).post_scale(scale, scale)
}

fn turned(x: f32, y: f32, degrees: f32) -> Transform {
    let (sin, cos) = outline::sin_cos(f64::from(degrees));
    let (sin, cos) = (sin as f32, cos as f32);
    Transform::from_row(cos, sin, -sin, cos, x - cos * x + sin * y, y - sin * x - cos * y)
}

/// A little towards the lower right within the bounds: where light catches the rim from inside.
fn shrunk(bounds: Rect) -> Transform {
    let by = |side: f32| 1.0 - 1.0 / side.max(2.0);
    let (sx, sy) = (by(bounds.width()), by(bounds.height()));
    let (mx, my) = (bounds.left() + bounds.width() / 2.0, bounds.top() + bounds.height() / 2.0);
    Transform::from_row(sx, 0.0, 0.0, sy, mx - sx * mx, my - sy * my)
}
