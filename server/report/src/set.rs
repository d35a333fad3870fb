//! Makes strips of the blocks: lines wrapped, pictures measured, and for each piece its place in the tree that is read aloud.

use std::sync::Arc;

use crate::face::{Face, Faces, Run};
use crate::flow::{HEIGHT, Strip, WIDTH};
use crate::lines::wrap;
use crate::{Block, MarkOn, Photo, Report, Signature, Words};

/// A colour, red, green, blue.
pub type Colour = (u8, u8, u8);
/// Letters.
pub const INK: Colour = (0x1b, 0x27, 0x33);
/// Letters that matter less; 5.9 to 1 on white (WCAG 2 asks for 4.5).
pub const SOFT: Colour = (0x56, 0x60, 0x6b);
/// Lines between things.
pub const LINE: Colour = (0xc9, 0xbd, 0x9f);
/// Signatures.
pub const STAMP: Colour = (0x1f, 0x3f, 0x77);
/// Places marked on a photo.
pub const MARK: Colour = (0x9c, 0x2f, 0x17);

/// How high a picture that is wider than high is at least and at most; between them as high as lets two of them stand on a page
/// with what is said below them.
const LOW: (f32, f32) = (190.0, 290.0);
/// How high any other is at most.
const HIGH: f32 = 400.0;
/// Room above a photo and below its picture.
const AROUND: (f32, f32) = (16.0, 4.0);

/// What an element of the tree is.
#[derive(Clone, Debug, PartialEq)]
pub enum Role {
    /// The whole.
    Whole,
    /// A heading of a level.
    Heading(u16, String),
    /// A paragraph.
    P,
    /// Somebody's words.
    Quote,
    /// A list, its items, their bullets, their words.
    List,
    /// An item.
    Item,
    /// Its bullet.
    Label,
    /// Its words.
    Body,
    /// A table.
    Table,
    /// A row.
    Row,
    /// A cell that names its column.
    ColumnName,
    /// A cell that names its row.
    RowName,
    /// Any other cell.
    Cell,
    /// A photo with what belongs to it.
    Together,
    /// A picture, with what it shows.
    Figure(String),
}

/// An element of the tree.
#[derive(Clone, Debug)]
pub struct Node {
    /// What it is.
    pub role: Role,
    /// What is in it, in order.
    pub kids: Vec<Kid>,
}

/// What is in an element: another one, or something drawn.
#[derive(Clone, Copy, Debug)]
pub enum Kid {
    /// An element.
    Node(usize),
    /// The number of what is drawn.
    Drawn(usize),
}

/// Something that is drawn, from the upper left corner of its strip. `tag`: its number in the tree; none for what is not read.
#[derive(Clone, Debug)]
#[allow(missing_docs, reason = "places and sizes in points")]
pub enum Item {
    Text { x: f32, base: f32, size: f32, bold: bool, colour: Colour, runs: Vec<Run>, tag: Option<usize> },
    Image { x: f32, y: f32, w: f32, h: f32, picture: usize, marks: Vec<MarkOn>, tag: usize },
    Strokes { x: f32, y: f32, w: f32, h: f32, strokes: Vec<Vec<(f32, f32)>>, tag: usize },
    Rule { x: f32, y: f32, w: f32, h: f32, colour: Colour },
}

/// A report as strips.
pub struct Set {
    /// In order.
    pub strips: Vec<Strip>,
    /// The tree; the first is the whole.
    pub nodes: Vec<Node>,
    /// JPEGs, by number.
    pub pictures: Vec<Arc<Vec<u8>>>,
}

/// How letters look.
#[derive(Clone, Copy)]
struct Look {
    size: f32,
    bold: bool,
    colour: Colour,
}

const fn look(size: f32, bold: bool, colour: Colour) -> Look {
    Look { size, bold, colour }
}

const BODY: Look = look(10.0, false, INK);
const SMALL: Look = look(8.5, false, SOFT);

impl Look {
    fn face(self, faces: &Faces) -> &Face {
        if self.bold { &faces.bold } else { &faces.regular }
    }

    fn leading(self) -> f32 {
        self.size * 1.36
    }
}

mod rows;

struct Setter<'a> {
    faces: &'a Faces,
    words: &'a Words,
    out: Set,
    drawn: usize,
    lacking: usize,
    fresh: bool,
    above: f32,
}

/// Sets a report.
pub fn set(report: &Report, faces: &Faces) -> Set {
    let whole = Node { role: Role::Whole, kids: Vec::new() };
    let out = Set { strips: Vec::new(), nodes: vec![whole], pictures: Vec::new() };
    let mut setter = Setter { faces, words: &report.words, out, drawn: 0, lacking: 0, fresh: false, above: 0.0 };
    let mut under_heading = false;
    for block in &report.blocks {
        let first = setter.out.strips.len();
        setter.block(block);
        setter.tell_lacking();
        // What a heading is about stays with what follows it too.
        if under_heading && matches!(block, Block::Soft(_)) {
            setter.stick_from(first);
        }
        under_heading = matches!(block, Block::Title(_) | Block::Heading(_) | Block::Under(_));
    }
    setter.out
}

impl Setter<'_> {
    fn node(&mut self, parent: usize, role: Role) -> usize {
        let id = self.out.nodes.len();
        self.out.nodes.push(Node { role, kids: Vec::new() });
        self.out.nodes[parent].kids.push(Kid::Node(id));
        id
    }

    fn tag(&mut self, node: usize) -> usize {
        let tag = self.drawn;
        self.drawn += 1;
        self.out.nodes[node].kids.push(Kid::Drawn(tag));
        tag
    }

    fn push(&mut self, mut strip: Strip) {
        strip.fresh |= std::mem::take(&mut self.fresh);
        self.out.strips.push(strip);
    }

    /// One line as an item with its baseline for a strip of this look.
    fn line(&mut self, line: &str, look: Look, x: f32, node: Option<usize>) -> Option<Item> {
        let runs = look.face(self.faces).runs(line);
        self.lacking += runs.iter().map(|r| r.lacking).sum::<usize>();
        if runs.is_empty() {
            return None;
        }
        let tag = node.map(|n| self.tag(n));
        Some(Item::Text { x, base: look.size * 1.05, size: look.size, bold: look.bold, colour: look.colour, runs, tag })
    }

    /// A paragraph as strips; neither its first nor its last line stands alone.
    fn paragraph(&mut self, text: &str, look: Look, indent: f32, before: f32, node: usize) -> usize {
        let lines = wrap(look.face(self.faces), look.size, text, WIDTH - indent);
        let (count, first) = (lines.len(), self.out.strips.len());
        for (i, line) in lines.iter().enumerate() {
            let items = self.line(line, look, indent, Some(node)).into_iter().collect();
            let stick = count > 1 && (i == 0 || i + 2 == count);
            let before = if i == 0 { before } else { 0.0 };
            self.push(Strip { before, height: look.leading(), stick, items, ..Strip::default() });
        }
        first
    }

    fn stick_from(&mut self, first: usize) {
        self.out.strips[first..].iter_mut().for_each(|s| s.stick = true);
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Title(text) => {
                let text = spoken(text);
                let node = self.node(0, Role::Heading(1, text.into()));
                let first = self.paragraph(text, look(20.0, true, INK), 0.0, 0.0, node);
                self.out.strips[first].bookmark = Some((1, text.into()));
                let rule = Item::Rule { x: 0.0, y: 3.0, w: WIDTH, h: 2.0, colour: INK };
                self.push(Strip { height: 12.0, items: vec![rule], ..Strip::default() });
                self.stick_from(first);
            }
            Block::Heading(text) => {
                let text = spoken(text);
                let node = self.node(0, Role::Heading(2, text.into()));
                let first = self.paragraph(text, look(13.0, true, INK), 0.0, 18.0, node);
                self.out.strips[first].bookmark = Some((1, text.into()));
                let rule = Item::Rule { x: 0.0, y: 1.0, w: WIDTH, h: 0.8, colour: LINE };
                self.push(Strip { height: 6.0, items: vec![rule], ..Strip::default() });
                self.stick_from(first);
            }
            Block::Under(text) => {
                let text = spoken(text);
                let node = self.node(0, Role::Heading(3, text.into()));
                let first = self.paragraph(text, look(10.5, true, INK), 0.0, 10.0, node);
                self.out.strips[first].bookmark = Some((2, text.into()));
                self.stick_from(first);
            }
            Block::Text(text) => self.plain(text, BODY, 4.0),
            Block::Strong(text) => self.plain(text, look(10.0, true, INK), 6.0),
            Block::Soft(text) => self.plain(text, SMALL, 4.0),
            Block::Exact(text) => self.plain(text, look(7.5, false, INK), 4.0),
            Block::Quote { words, by } => self.quote(words, by),
            Block::List(items) => self.list(items),
            Block::Facts(facts) => self.facts(facts),
            Block::Table { columns, rows } => self.table(columns, rows),
            Block::Photo(photo) => self.photo(photo),
            Block::Signature(signature) => self.signature(signature),
            Block::NewPage => self.fresh = true,
        }
    }

    fn plain(&mut self, text: &str, look: Look, before: f32) {
        let node = self.node(0, Role::P);
        self.paragraph(text, look, 0.0, before, node);
    }

    /// Below a text with letters that the typeface lacks, that they are lacking.
    fn tell_lacking(&mut self) {
        let count = std::mem::take(&mut self.lacking);
        if count > 0 {
            let said = self.words.lacking.replace("{count}", &count.to_string());
            self.plain(&said, SMALL, 3.0);
            self.lacking = 0;
        }
    }

    fn quote(&mut self, words: &str, by: &str) {
        let quote = self.node(0, Role::Quote);
        let (spoken, whose) = (self.node(quote, Role::P), self.node(quote, Role::P));
        let first = self.paragraph(words, look(10.5, false, INK), 14.0, 6.0, spoken);
        self.out.strips.iter_mut().skip(first).for_each(|s| {
            s.items.push(Item::Rule { x: 0.0, y: 0.0, w: 3.0, h: s.height, colour: INK });
        });
        if let Some(last) = self.out.strips.last_mut() {
            last.stick = true;
        }
        self.paragraph(by, SMALL, 14.0, 2.0, whose);
    }

    /// A list; neither its first nor its last item stands alone.
    fn list(&mut self, items: &[String]) {
        let list = self.node(0, Role::List);
        let mut begins = Vec::new();
        for text in items {
            begins.push(self.out.strips.len());
            self.item(text, list);
        }
        begins.push(self.out.strips.len());
        for sticks in [begins.get(..2), begins.len().checked_sub(3).map(|i| &begins[i..i + 2])].into_iter().flatten() {
            if items.len() > 1 {
                self.out.strips[sticks[0]..sticks[1]].iter_mut().for_each(|s| s.stick = true);
            }
        }
    }

    fn item(&mut self, text: &str, list: usize) {
        let item = self.node(list, Role::Item);
        let (label, body) = (self.node(item, Role::Label), self.node(item, Role::Body));
        let bullet = self.line("•", BODY, 2.0, Some(label));
        let first = self.paragraph(text, BODY, 14.0, 2.5, body);
        // Painted in the order in which it is read.
        self.out.strips[first].items.splice(0..0, bullet);
    }

    /// The picture, what it is called, what is said of it. All on one page.
    fn photo(&mut self, photo: &Photo) {
        let together = self.node(0, Role::Together);
        let (first, name) = (self.out.strips.len(), look(10.0, true, INK));
        let figure = photo.jpeg.as_ref().map(|_| self.node(together, Role::Figure(photo.alt.clone())));
        let instead = if figure.is_none() { self.instead(&photo.instead, together) } else { Vec::new() };
        // The words first: how many lines they take says how high the picture may be.
        let node = self.node(together, Role::P);
        let words = self.out.strips.len();
        self.paragraph(&photo.name, name, 0.0, 2.0, node);
        for sentence in &photo.caption {
            let node = self.node(together, Role::P);
            self.paragraph(sentence, SMALL, 0.0, 0.0, node);
        }
        let mut below = self.out.strips.split_off(words);
        self.out.strips.extend(instead);
        if let (Some(jpeg), Some(figure)) = (&photo.jpeg, figure) {
            let high: f32 = below.iter().map(|s| s.before + s.height).sum();
            let strip = self.picture(photo, jpeg, figure, HEIGHT / 2.0 - high - AROUND.0 - AROUND.1);
            self.out.strips.push(strip);
        }
        self.out.strips.append(&mut below);
        let begins = &mut self.out.strips[first];
        begins.bookmark = Some((2, spoken(&photo.name).into()));
        begins.fresh |= std::mem::take(&mut self.fresh);
        self.stick_from(first);
        if let Some(last) = self.out.strips.last_mut() {
            last.stick = false;
        }
    }

    fn picture(&mut self, photo: &Photo, jpeg: &Arc<Vec<u8>>, figure: usize, room: f32) -> Strip {
        let (wide, high) = (photo.width.max(1) as f32, photo.height.max(1) as f32);
        let most = if wide >= high { room.clamp(LOW.0, LOW.1) } else { HIGH };
        let scale = (WIDTH / wide).min(most / high);
        let (w, h) = (wide * scale, high * scale);
        let (picture, tag) = (self.out.pictures.len(), self.tag(figure));
        self.out.pictures.push(jpeg.clone());
        let item = Item::Image { x: 0.0, y: 0.0, w, h, picture, marks: photo.marks.clone(), tag };
        Strip { before: AROUND.0, height: h + AROUND.1, items: vec![item], ..Strip::default() }
    }

    /// What stands in the place of a picture.
    fn instead(&mut self, text: &str, together: usize) -> Vec<Strip> {
        let node = self.node(together, Role::P);
        let first = self.paragraph(text, SMALL, 10.0, AROUND.0, node);
        let mut strips = self.out.strips.split_off(first);
        for strip in &mut strips {
            strip.items.push(Item::Rule { x: 0.0, y: 0.0, w: 2.0, h: strip.height, colour: SOFT });
        }
        strips
    }

    fn signature(&mut self, signature: &Signature) {
        let figure = self.node(0, Role::Figure(signature.alt.clone()));
        let tag = self.tag(figure);
        let scale = (220.0 / signature.width.max(1.0)).min(110.0 / signature.height.max(1.0));
        let at = |(x, y): &(f32, f32)| (x * scale, y * scale);
        let strokes = signature.strokes.iter().map(|s| s.iter().map(at).collect()).collect();
        let (w, h) = (signature.width * scale, signature.height * scale);
        // It stays with the words it is below.
        if let Some(above) = self.out.strips.last_mut() {
            above.stick = true;
        }
        let item = Item::Strokes { x: 0.0, y: 0.0, w, h, strokes, tag };
        self.push(Strip { before: 6.0, height: h + 4.0, items: vec![item], ..Strip::default() });
    }
}

/// A dash where there would be nothing to read: a heading and a cell have words.
fn spoken(text: &str) -> &str {
    if text.trim().is_empty() { "–" } else { text }
}
