//! A report as a PDF that lasts: PDF/A-2a and PDF/UA-1 in one file, tagged, with bookmarks, its letters in it. What it says is
//! given as plain blocks; this package wraps lines, breaks pages and draws. Pure: the same report gives the same bytes.

use std::sync::Arc;

mod draw;
mod face;
mod flow;
mod lines;
mod set;

/// All that a report says, in reading order.
#[derive(Clone, Debug)]
pub struct Report {
    /// Language tag of the words.
    pub language: String,
    /// The document's title: shown by readers in place of the file's name.
    pub title: String,
    /// What stands at the foot of each page beside its number.
    pub foot: String,
    /// When what it reports was last added to, milliseconds UTC. The file has no other date.
    pub at: i64,
    /// The sentences the setting itself needs.
    pub words: Words,
    /// What it says.
    pub blocks: Vec<Block>,
}

/// Sentences the setting itself needs.
#[derive(Clone, Debug)]
pub struct Words {
    /// The page's number: `{page}` and `{pages}` are put in.
    pub page: String,
    /// Said below a text with letters that the typeface lacks: `{count}` is put in. Each of them is drawn as a box; whoever
    /// copies or reads the text aloud gets the letters.
    pub lacking: String,
}

/// One piece of a report.
#[derive(Clone, Debug)]
pub enum Block {
    /// The report's heading; once, first.
    Title(String),
    /// A heading, with a bookmark.
    Heading(String),
    /// A heading below that, with a bookmark below that.
    Under(String),
    /// A paragraph.
    Text(String),
    /// A paragraph that stands out.
    Strong(String),
    /// A paragraph in smaller letters.
    Soft(String),
    /// Somebody's words, as they are, and whose.
    Quote {
        /// The words; line ends stay.
        words: String,
        /// Who said and heard them.
        by: String,
    },
    /// A list.
    List(Vec<String>),
    /// Names and what belongs to them.
    Facts(Vec<(String, String)>),
    /// A table.
    Table {
        /// Headings, each with its share of the width.
        columns: Vec<(String, f32)>,
        /// Rows, each as long as the headings.
        rows: Vec<Vec<String>>,
    },
    /// A photo with its caption.
    Photo(Photo),
    /// A signature's strokes.
    Signature(Signature),
    /// Text that is copied letter by letter: keys, heads of a log.
    Exact(String),
    /// What follows begins a new page.
    NewPage,
}

/// A photo.
#[derive(Clone, Debug)]
pub struct Photo {
    /// The JPEG; none when there is nothing to show, which `instead` explains.
    pub jpeg: Option<Arc<Vec<u8>>>,
    /// Pixels across.
    pub width: u32,
    /// Pixels down.
    pub height: u32,
    /// Stands in the place of a picture that is not shown.
    pub instead: String,
    /// What the picture shows, for whoever does not see it.
    pub alt: String,
    /// Its name, and its bookmark.
    pub name: String,
    /// Sentences below it.
    pub caption: Vec<String>,
    /// Places marked on it.
    pub marks: Vec<MarkOn>,
}

/// A place marked on a photo; in ten thousandths of its width and height.
#[derive(Clone, Debug)]
pub struct MarkOn {
    /// From the left.
    pub x: u32,
    /// From the top.
    pub y: u32,
    /// Width and height of a box; a point has none.
    pub size: Option<(u32, u32)>,
    /// What stands beside it.
    pub label: String,
}

/// A signature.
#[derive(Clone, Debug)]
pub struct Signature {
    /// Width of the pad.
    pub width: f32,
    /// Height of the pad.
    pub height: f32,
    /// Strokes, each a list of points.
    pub strokes: Vec<Vec<(f32, f32)>>,
    /// What it is, for whoever does not see it.
    pub alt: String,
}

/// Sets a report.
///
/// # Errors
/// A sentence: what kept the file from being what it says it is.
pub fn pdf(report: &Report) -> Result<Vec<u8>, String> {
    let faces = face::Faces::new().ok_or("the typefaces in the program cannot be read")?;
    let set = set::set(report, &faces);
    let pages = flow::pages(set.strips);
    draw::draw(report, &faces, &pages, &set.nodes, set.pictures)
}
