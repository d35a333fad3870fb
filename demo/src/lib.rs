//! Pictures for the demo: machines of invented makes on a bench or a workshop floor, as a phone at the counter would take
//! them. Every picture says in a strip that it is drawn, and so does its EXIF block. The same shot gives the same bytes.

mod camera;
mod canvas;
pub mod exif;
mod font;
mod ground;
mod outline;
mod paint;
mod scenes;

use canvas::Stand;
pub use exif::Taken;
pub use scenes::views;

/// Pixels across.
pub const WIDTH: u16 = 1600;
/// Pixels down.
pub const HEIGHT: u16 = 1200;

/// The machine in the picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Machine {
    /// The kind of machine, as its file is named: `chainsaw`.
    pub kind: &'static str,
    /// An invented make, which has a colour of its own: `Alder`, `Brenn`, `Corvin`, `Dunmore`.
    pub make: &'static str,
    /// Its model.
    pub model: &'static str,
    /// Its serial number.
    pub serial: String,
    /// A line on its plate: what it is, how large.
    pub about: &'static str,
}

/// What went wrong with a picture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Flaw {
    /// Nothing.
    #[default]
    None,
    /// Far too dark.
    Dark,
    /// Out of focus.
    Blurred,
}

/// One picture to be taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shot {
    /// The machine.
    pub machine: Machine,
    /// What is in the picture: a view of the machine's kind.
    pub view: String,
    /// The number on the tag.
    pub tag: String,
    /// What the camera's clock said.
    pub taken: Taken,
    /// What the phone calls itself.
    pub phone: String,
    /// What is broken on the machine: lines of a scene, drawn over the view; empty: nothing.
    pub damage: &'static str,
    /// What went wrong.
    pub flaw: Flaw,
    /// How the hand and the sensor differ from one picture to the next.
    pub seed: u64,
}

/// Draws the shot: a JPEG with EXIF. `None` when there is no drawing of that view.
pub fn draw(shot: &Shot) -> Option<Vec<u8>> {
    let (ground, scene) = scenes::scene(shot.machine.kind, &shot.view)?;
    let scale = f32::from(WIDTH) / canvas::UNITS.0;
    let mut random = Seeded(shot.seed);
    let grain = random.number() as u32;
    let mut about = |most: f32| (random.share() - 0.5) * 2.0 * most;
    let stand = Stand { near: 0.89 + about(0.1), right: about(8.0), down: about(5.0) - 1.5, turned: about(4.5) };
    let light = camera::Light { side: [about(0.2), about(0.1)], patches: grain ^ 0x1F };
    let mut canvas = canvas::Canvas::new(shot, own_colour(shot.machine.make), scale, stand)?;
    scene.iter().for_each(|part| canvas.run(part));
    canvas.run(shot.damage);
    let laid = camera::lay(&canvas.sheet, ground, scale, grain);
    let mut rgb = camera::take(&laid, scale, shot.flaw, light, &mut random);
    caption(&mut rgb, shot, scale)?;
    if shot.flaw == Flaw::Blurred {
        // A sharp strip would make the judge take the whole for sharp: it goes soft too, in letters that bear it.
        rgb = camera::soften(rgb, 3);
    }
    let exif = exif::block(&shot.taken, &shot.phone, u32::from(WIDTH), u32::from(HEIGHT));
    let bytes = camera::jpeg(&rgb, &exif);
    (!bytes.is_empty()).then_some(bytes)
}

/// The strip along the lower edge that says what this is.
fn caption(rgb: &mut [u8], shot: &Shot, scale: f32) -> Option<()> {
    let mut canvas = canvas::Canvas::new(shot, [0; 3], scale, Stand::STRAIGHT)?;
    let (top, size) = if shot.flaw == Flaw::Blurred { (112.0, 4.6) } else { (116.2, 1.9) };
    canvas.run(&format!("paper R-8 {top} 180 20\ntext {size} 3 {} ink DRAWN, NOT PHOTOGRAPHED", top + 1.0));
    let words = format!("text {size} 118 {} ink {} {}", top + 1.0, shot.machine.make, shot.machine.model);
    canvas.run(&words);
    let margin = (canvas::MARGIN * scale) as usize;
    let from = (top * scale) as usize;
    let (sheet, across) = (canvas.sheet.data(), canvas.sheet.width() as usize);
    for y in from..usize::from(HEIGHT) {
        for x in 0..usize::from(WIDTH) {
            let (at, to) = (((y + margin) * across + x + margin) * 4, (y * usize::from(WIDTH) + x) * 3);
            if sheet[at + 3] == 255 {
                rgb[to..to + 3].copy_from_slice(&sheet[at..at + 3]);
            }
        }
    }
    Some(())
}

/// The colour a make paints its machines.
fn own_colour(make: &str) -> paint::Rgb {
    match make {
        "Alder" => [44, 120, 110],
        "Brenn" => [176, 58, 44],
        "Corvin" => [58, 84, 140],
        "Dunmore" => [206, 166, 52],
        _ => [120, 92, 140],
    }
}

/// SplitMix64: the same seed, the same numbers.
struct Seeded(u64);

impl Seeded {
    fn number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Between 0 and 1.
    fn share(&mut self) -> f32 {
        (self.number() >> 40) as f32 / (1u32 << 24) as f32
    }
}
