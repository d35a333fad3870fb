//! Draws the pages: PDF/A-2a (ISO 19005-2) and PDF/UA-1 (ISO 14289-1), as far as the library checks them while it writes.

use std::num::NonZeroU16;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use krilla::color::rgb;
use krilla::configure::{Accessibility, Archival, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::geom::{PathBuilder, Point, Rect, Size, Transform};
use krilla::image::Image;
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, LineCap, LineJoin, Stroke};
use krilla::surface::Surface;
use krilla::tagging::{
    Artifact, ArtifactType, ContentTag, Identifier, ListNumbering, SpanTag, TableHeaderScope, Tag, TagGroup, TagKind,
    TagTree,
};
use krilla::{Document, SerializeSettings};
use memchr::memmem;

use crate::face::{Faces, Run};
use crate::flow::{BOTTOM, PAGE, Placed, SIDE, WIDTH};
use crate::set::{Colour, INK, Item, Kid, LINE, MARK, Node, Role, SOFT, STAMP};
use crate::{MarkOn, Report};

/// Writes the file.
///
/// # Errors
/// What the library found against the standards, or a picture that cannot be read.
pub fn draw(
    report: &Report,
    faces: &Faces,
    pages: &[Vec<Placed>],
    nodes: &[Node],
    pictures: Vec<Arc<Vec<u8>>>,
) -> Result<Vec<u8>, String> {
    let configuration = ConfigurationBuilder::new()
        .with_archival_validator(Archival::A2_A)
        .with_accessibility_validator(Accessibility::UA1)
        .finish()
        .map_err(|e| format!("{e:?}"))?;
    let settings =
        SerializeSettings { configuration, enable_tagging: true, pretty: true, ..SerializeSettings::default() };
    let mut document = Document::new_with(settings);
    let images: Vec<Image> = pictures
        .into_iter()
        .map(|jpeg| Image::from_jpeg(jpeg.into(), false))
        .collect::<Result<_, _>>()
        .map_err(|e| format!("a picture cannot be read: {e}"))?;
    let mut tags: Vec<Vec<Identifier>> = Vec::new();
    let mut marks: Vec<(u8, String, XyzDestination)> = Vec::new();
    for (number, placed) in pages.iter().enumerate() {
        let settings = PageSettings::from_wh(PAGE.0, PAGE.1).ok_or("a page has a size")?;
        let mut page = document.start_page_with(settings);
        let mut surface = page.surface();
        let mut drawing = Drawing { surface: &mut surface, faces, images: &images, tags: &mut tags };
        for Placed { y, strip } in placed {
            strip.items.iter().for_each(|item| drawing.item(item, *y));
            if let Some((level, text)) = &strip.bookmark {
                let to = XyzDestination::new(number, Point::from_xy(SIDE, (y - 8.0).max(0.0)));
                marks.push((*level, text.clone(), to));
            }
        }
        let of = report.words.page.replace("{page}", &(number + 1).to_string());
        drawing.foot(&report.foot, &of.replace("{pages}", &pages.len().to_string()));
        surface.finish();
        page.finish();
    }
    document.set_outline(outline(marks));
    document.set_metadata(metadata(report));
    let mut tree = TagTree::new().with_lang(Some(report.language.clone()));
    if let Some(whole) = nodes.first() {
        tree.children = group(nodes, whole, &tags, TagKind::from(Tag::Div)).children;
    }
    document.set_tag_tree(tree);
    document.finish().map(plain_ends).map_err(|e| format!("{e:?}"))
}

/// Where a stream's own last byte is a CR, it and the LF before `endstream` look like one end of line, and who measures the stream
/// finds it a byte short of its `Length` (ISO 19005-2, 6.1.7.1). There a CR more stands before `endstream`, and the empty line after
/// the object goes, so that all else stays where the table of objects says.
fn plain_ends(mut file: Vec<u8>) -> Vec<u8> {
    const DOUBTFUL: &[u8] = b"\r\nendstream\nendobj\n\n";
    const PLAIN: &[u8] = b"\r\r\nendstream\nendobj\n";
    let mut from = 0;
    while let Some(found) = memmem::find(&file[from..], DOUBTFUL) {
        from += found;
        file[from..from + PLAIN.len()].copy_from_slice(PLAIN);
        from += PLAIN.len();
    }
    file
}

/// Title, language and the time of what it reports; nothing of anybody, and no clock.
fn metadata(report: &Report) -> Metadata {
    let at = Timestamp::from_millisecond(report.at).unwrap_or(Timestamp::UNIX_EPOCH).to_zoned_datetime(TimeZone::UTC);
    let part = |n: i8| n.unsigned_abs();
    let at = DateTime::new(at.year().unsigned_abs())
        .month(part(at.month()))
        .day(part(at.day()))
        .hour(part(at.hour()))
        .minute(part(at.minute()))
        .second(part(at.second()))
        .utc_offset_hour(0)
        .utc_offset_minute(0);
    Metadata::new()
        .title(report.title.clone())
        .language(report.language.clone())
        .creator("Counterfoil".into())
        .producer("Counterfoil".into())
        .creation_date(at)
}

/// Bookmarks: those of the second level below the last of the first.
fn outline(marks: Vec<(u8, String, XyzDestination)>) -> Outline {
    let mut out = Outline::new();
    let mut open: Option<OutlineNode> = None;
    for (level, text, to) in marks {
        let node = OutlineNode::new(text, to);
        match (&mut open, level) {
            (Some(above), 2..) => above.push_child(node),
            _ => {
                if let Some(done) = open.replace(node) {
                    out.push_child(done);
                }
            }
        }
    }
    if let Some(done) = open {
        out.push_child(done);
    }
    out
}

fn group(nodes: &[Node], node: &Node, tags: &[Vec<Identifier>], tag: TagKind) -> TagGroup {
    let mut out = TagGroup::new(tag);
    for kid in &node.kids {
        match kid {
            Kid::Drawn(n) => tags.get(*n).into_iter().flatten().for_each(|id| out.push(*id)),
            Kid::Node(n) => out.push(group(nodes, &nodes[*n], tags, kind(&nodes[*n].role))),
        }
    }
    out
}

fn kind(role: &Role) -> TagKind {
    match role {
        Role::Whole | Role::Together => Tag::Div.into(),
        Role::Heading(level, title) => {
            Tag::Hn(NonZeroU16::new(*level).unwrap_or(NonZeroU16::MIN), Some(title.clone())).into()
        }
        Role::P => Tag::P.into(),
        Role::Quote => Tag::BlockQuote.into(),
        Role::List => Tag::L(ListNumbering::Disc).into(),
        Role::Item => Tag::LI.into(),
        Role::Label => Tag::Lbl.into(),
        Role::Body => Tag::LBody.into(),
        Role::Table => Tag::Table.into(),
        Role::Row => Tag::TR.into(),
        Role::ColumnName => Tag::TH(TableHeaderScope::Column).into(),
        Role::RowName => Tag::TH(TableHeaderScope::Row).into(),
        Role::Cell => Tag::TD.into(),
        Role::Figure(alt) => Tag::Figure(Some(alt.clone())).into(),
    }
}

struct Drawing<'a, 'b> {
    surface: &'a mut Surface<'b>,
    faces: &'a Faces,
    images: &'a [Image],
    tags: &'a mut Vec<Vec<Identifier>>,
}

fn fill(colour: Colour) -> Option<Fill> {
    let paint = rgb::Color::new(colour.0, colour.1, colour.2).into();
    Some(Fill { paint, ..Fill::default() })
}

fn stroke(colour: Colour, width: f32) -> Option<Stroke> {
    let paint = rgb::Color::new(colour.0, colour.1, colour.2).into();
    let (line_cap, line_join) = (LineCap::Round, LineJoin::Round);
    Some(Stroke { paint, width, line_cap, line_join, opacity: NormalizedF32::ONE, ..Stroke::default() })
}

const NOT_READ: ContentTag<'static> = ContentTag::Artifact(Artifact { kind: ArtifactType::Layout, bbox: None });

/// Headings of a table on its further pages.
const AGAIN: ContentTag<'static> = ContentTag::Artifact(Artifact { kind: ArtifactType::Header, bbox: None });

impl Drawing<'_, '_> {
    fn keep(&mut self, tag: usize, id: Identifier) {
        if self.tags.len() <= tag {
            self.tags.resize(tag + 1, Vec::new());
        }
        self.tags[tag].push(id);
    }

    fn item(&mut self, item: &Item, top: f32) {
        match item {
            Item::Text { x, base, size, bold, colour, runs, tag } => {
                self.text((SIDE + x, top + base), *size, *bold, *colour, runs, *tag);
            }
            Item::Rule { x, y, w, h, colour } => {
                self.surface.start_tagged(NOT_READ);
                self.rectangle(SIDE + x, top + y, *w, *h, *colour);
                self.surface.end_tagged();
            }
            Item::Image { x, y, w, h, picture, marks, tag } => {
                let (Some(image), Some(size)) = (self.images.get(*picture), Size::from_wh(*w, *h)) else { return };
                let id = self.surface.start_tagged(ContentTag::Other);
                self.surface.push_transform(&Transform::from_translate(SIDE + x, top + y));
                self.surface.draw_image(image.clone(), size);
                marks.iter().for_each(|m| self.mark(m, *w, *h));
                self.surface.pop();
                self.surface.end_tagged();
                self.keep(*tag, id);
            }
            Item::Strokes { x, y, w, h, strokes, tag } => {
                let id = self.surface.start_tagged(ContentTag::Other);
                self.surface.push_transform(&Transform::from_translate(SIDE + x, top + y));
                self.frame(*w, *h);
                strokes.iter().for_each(|s| self.path(s, STAMP, 1.4));
                self.surface.pop();
                self.surface.end_tagged();
                self.keep(*tag, id);
            }
        }
    }

    fn text(&mut self, at: (f32, f32), size: f32, bold: bool, colour: Colour, runs: &[Run], tag: Option<usize>) {
        let mut x = at.0;
        for run in runs {
            let span = ContentTag::Span(SpanTag::empty());
            let id = self.surface.start_tagged(if tag.is_some() { span } else { AGAIN });
            self.letters((x, at.1), size, bold, colour, run);
            self.surface.end_tagged();
            if let Some(tag) = tag {
                self.keep(tag, id);
            }
            x += run.width * size;
        }
    }

    fn letters(&mut self, (x, y): (f32, f32), size: f32, bold: bool, colour: Colour, run: &Run) {
        let face = if bold { &self.faces.bold } else { &self.faces.regular };
        self.surface.set_stroke(None);
        self.surface.set_fill(fill(colour));
        self.surface.draw_glyphs(Point::from_xy(x, y), &run.glyphs, face.font.clone(), &run.text, size, false);
    }

    fn rectangle(&mut self, x: f32, y: f32, w: f32, h: f32, colour: Colour) {
        let mut path = PathBuilder::new();
        let Some(rect) = Rect::from_xywh(x, y, w, h) else { return };
        path.push_rect(rect);
        let Some(path) = path.finish() else { return };
        self.surface.set_stroke(None);
        self.surface.set_fill(fill(colour));
        self.surface.draw_path(&path);
    }

    fn path(&mut self, points: &[(f32, f32)], colour: Colour, width: f32) {
        let mut path = PathBuilder::new();
        let Some(first) = points.first() else { return };
        path.move_to(first.0, first.1);
        // A dot is a very short line.
        points.iter().skip(1).for_each(|p| path.line_to(p.0, p.1));
        if points.len() == 1 {
            path.line_to(first.0 + 0.5, first.1);
        }
        let Some(path) = path.finish() else { return };
        self.surface.set_fill(None);
        self.surface.set_stroke(stroke(colour, width));
        self.surface.draw_path(&path);
    }

    fn frame(&mut self, w: f32, h: f32) {
        self.path(&[(0.0, 0.0), (w, 0.0), (w, h), (0.0, h), (0.0, 0.0)], LINE, 0.8);
    }

    /// A place on a photo: a ring or a box, white around it so that it shows on any ground, and its label.
    fn mark(&mut self, mark: &MarkOn, w: f32, h: f32) {
        let part = |n: u32, of: f32| n.min(10_000) as f32 / 10_000.0 * of;
        let (x, y) = (part(mark.x, w), part(mark.y, h));
        let (outline, beside) = match mark.size {
            Some((bw, bh)) => {
                let (right, low) = ((x + part(bw, w)).min(w), (y + part(bh, h)).min(h));
                (vec![(x, y), (right, y), (right, low), (x, low), (x, y)], (right, y))
            }
            None => {
                let ring = |i: i32| (i as f32 * std::f32::consts::TAU / 32.0).sin_cos();
                ((0..=32).map(ring).map(|(s, c)| (x + 9.0 * c, y + 9.0 * s)).collect(), (x + 9.0, y - 9.0))
            }
        };
        self.path(&outline, (255, 255, 255), 3.6);
        self.path(&outline, MARK, 1.8);
        for run in self.faces.bold.runs(&mark.label) {
            let wide = run.width * 8.0 + 6.0;
            let (left, top) =
                ((beside.0 + 1.0).min(w - wide).max(0.0), (beside.1 - 6.0).clamp(0.0, (h - 12.0).max(0.0)));
            self.rectangle(left, top, wide, 12.0, MARK);
            self.letters((left + 3.0, top + 9.0), 8.0, true, (255, 255, 255), &run);
        }
    }

    /// Below the text of each page: what it is, and its number. Not read aloud.
    fn foot(&mut self, what: &str, number: &str) {
        let kind = ArtifactType::Footer;
        let y = PAGE.1 - BOTTOM + 34.0;
        let face = &self.faces.regular;
        let right = face.width(number) * 8.0;
        let mut room = (WIDTH - right - 20.0) / 8.0;
        // A name as long as a page is wide is cut here; it stands whole on the first page.
        let fits = |c: &char| {
            room -= face.advance(*c);
            room > 0.0
        };
        let cut: String = what.chars().take_while(fits).collect();
        self.surface.start_tagged(ContentTag::Artifact(Artifact { kind, bbox: None }));
        self.rectangle(SIDE, y - 14.0, WIDTH, 0.5, LINE);
        for (text, x, colour) in [(cut.as_str(), SIDE, SOFT), (number, PAGE.0 - SIDE - right, INK)] {
            let mut at = x;
            for run in self.faces.regular.runs(text) {
                self.letters((at, y), 8.0, false, colour, &run);
                at += run.width * 8.0;
            }
        }
        self.surface.end_tagged();
    }
}
