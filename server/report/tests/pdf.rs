//! A report as a file, read by programs from outside: qpdf for its form, poppler for its words, their order and its pages.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

use report::{Block, MarkOn, Photo, Report, Signature, Words, pdf};

fn tool(program: &str, args: &[&str]) -> String {
    let out = Command::new(program).args(args).output();
    let out = out.unwrap_or_else(|e| panic!("{program} does not run ({e}): tests/run installs it"));
    let said = String::from_utf8_lossy(&out.stdout).into_owned() + &String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{program}: {said}");
    said
}

fn jpeg(width: u16, height: u16) -> Vec<u8> {
    let mut bytes = Vec::new();
    let pixels: Vec<u8> =
        (0..usize::from(width) * usize::from(height)).flat_map(|i| [i as u8, (i / 7) as u8, 90]).collect();
    let encoder = jpeg_encoder::Encoder::new(&mut bytes, 80);
    encoder.encode(&pixels, width, height, jpeg_encoder::ColorType::Rgb).expect("a JPEG");
    bytes
}

fn photo(name: &str, width: u16, height: u16) -> Block {
    Block::Photo(Photo {
        jpeg: Some(Arc::new(jpeg(width, height))),
        width: width.into(),
        height: height.into(),
        instead: String::new(),
        alt: format!("Picture of {name}"),
        name: name.into(),
        caption: vec!["Taken by Ines.".into(), "The phone’s clock said 14:05.".into()],
        marks: vec![
            MarkOn { x: 2_000, y: 3_000, size: None, label: "1".into() },
            MarkOn { x: 6_000, y: 5_000, size: Some((3_000, 2_000)), label: "2".into() },
        ],
    })
}

fn report(blocks: Vec<Block>) -> Report {
    let words = Words {
        page: "Page {page} of {pages}".into(),
        lacking: "{count} letters above are not in this document’s typeface.".into(),
    };
    Report {
        language: "en".into(),
        title: "Report, tag 0417".into(),
        foot: "Tag 0417, Tarn Street".into(),
        at: 1_774_744_200_000,
        words,
        blocks,
    }
}

const SAID: &str = "It was fine when I dropped it off.\nTwo pulls, always: “never a third” – so he said.";

fn sample() -> Report {
    report(vec![
        Block::Title("Tag 0417".into()),
        Block::Facts(vec![("Machine".into(), "Chainsaw, Alder 46".into()), ("Owner".into(), String::new())]),
        Block::Heading("Their words".into()),
        Block::Quote { words: SAID.into(), by: "heard by Ines".into() },
        Block::Text("Read aloud: 東京, Zażółć.".into()),
        Block::List(vec!["Bar: bent".into(), "Cover: cracked".into()]),
        Block::Heading("Photos".into()),
        photo("1. Bar side", 400, 300),
        photo("2. Cover", 300, 400),
        Block::Heading("Order".into()),
        Block::Table {
            columns: vec![("Entry".into(), 0.3), ("What".into(), 0.7)],
            rows: (0..120).map(|i| vec![i.to_string(), format!("line {i}")]).collect(),
        },
        Block::Under("Signed".into()),
        Block::Signature(Signature {
            width: 300.0,
            height: 100.0,
            strokes: vec![vec![(10.0, 10.0), (200.0, 80.0)], vec![(250.0, 50.0)]],
            alt: "Signature".into(),
        }),
        Block::Exact("shop.example/0199c0de+1\n42\nAbCdEf0123456789".into()),
        Block::NewPage,
        Block::Strong("The end".into()),
        Block::Soft("Nothing more.".into()),
    ])
}

fn written(report: Report) -> (tempfile::TempDir, PathBuf, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("report.pdf");
    fs::write(&path, pdf(&report).expect("a report")).expect("a file");
    let name = path.to_str().expect("text").to_owned();
    (folder, path, name)
}

/// All spaces and line ends as one space.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn its_form_is_sound_and_it_says_what_it_is() {
    let (_folder, path, name) = written(sample());
    assert!(tool("qpdf", &["--check", &name]).contains("No syntax or stream encoding errors found"));
    let info = tool("pdfinfo", &[&name]);
    for said in [
        "Title:           Report, tag 0417",
        "Tagged:          yes",
        "PDF version:     1.7",
        "595.28 x 841.89 pts (A4)",
    ] {
        assert!(info.contains(said), "{said}: {info}");
    }
    let meta = tool("pdfinfo", &["-meta", &name]);
    for said in ["<pdfaid:part>2<", "<pdfaid:conformance>A<", "<pdfuaid:part>1<", "2026-03-29T00:30:00Z"] {
        assert!(meta.replace("+00:00", "Z").contains(said), "{said}: {meta}");
    }
    // Every face is in the file, as a part of itself (the six letters), with a table from its glyphs to Unicode.
    let fonts = tool("pdffonts", &[&name]);
    let faces: Vec<&str> = fonts.lines().skip(2).collect();
    assert_eq!(faces.len(), 2, "{fonts}");
    assert!(faces.iter().all(|f| f.contains("+LiberationSans") && f.contains("yes yes yes")), "{fonts}");
    let json = fs::read(qdf(&path)).expect("what qpdf wrote");
    let has = |what: &str| json.windows(what.len()).any(|w| w == what.as_bytes());
    assert!(
        has("/Lang (en)") && has("/Alt (Picture of 1. Bar side)") && has("/Outlines") && has("/DisplayDocTitle true")
    );
}

fn qdf(path: &Path) -> PathBuf {
    let out = path.with_extension("qdf");
    tool("qpdf", &["--qdf", "--object-streams=disable", path.to_str().expect("text"), out.to_str().expect("text")]);
    out
}

#[test]
fn the_same_report_is_the_same_file() {
    assert!(pdf(&sample()).expect("a report") == pdf(&sample()).expect("a report"));
}

#[test]
fn its_words_are_there_letter_by_letter() {
    let (_folder, _, name) = written(sample());
    let text = flat(&tool("pdftotext", &["-layout", &name, "-"]));
    for said in [
        flat(SAID),
        "Read aloud: 東京, Zażółć.".into(),
        "2 letters above are not in this document’s typeface.".into(),
        "1. Bar side".into(),
    ] {
        assert!(text.contains(&said), "{said}: {text}");
    }
    assert!(
        text.contains("Page 1 of") && text.matches("Entry What").count() > 1,
        "a table's headings come again: {text}"
    );
}

#[test]
fn read_aloud_by_its_tags_it_says_everything_once_and_in_order() {
    let (_folder, _, name) = written(sample());
    let tree = tool("pdfinfo", &["-struct-text", &name]);
    let mut spoken = tree.as_str();
    for said in [
        "H1",
        "Tag 0417",
        "Table",
        "TH",
        "Machine",
        "TD",
        "Chainsaw, Alder 46",
        "Owner",
        "–",
        "H2",
        "Their words",
        "BlockQuote",
        "It was fine when I dropped it off.",
        "heard by Ines",
        "東京",
        "L (block)",
        "LI",
        "Lbl",
        "•",
        "LBody",
        "Bar: bent",
        "Cover: cracked",
        "Photos",
        "Figure",
        "1. Bar side",
        "Taken by Ines.",
        "Figure",
        "2. Cover",
        "Order",
        "Entry",
        "What",
        "line 0",
        "line 119",
        "H3",
        "Signed",
        "Figure",
        "42",
        "The end",
        "Nothing more.",
    ] {
        let at = spoken.find(said).unwrap_or_else(|| panic!("“{said}” does not follow in {tree}"));
        spoken = &spoken[at + said.len()..];
    }
    // What stands at the foot of pages, and headings that come again, are not read.
    assert!(!tree.contains("Page 1 of") && tree.matches("\"Entry").count() == 1, "{tree}");
    let figures = tool("pdfinfo", &["-struct", &name]);
    assert!(figures.matches("Figure").count() == 3, "{figures}");
}

#[test]
fn a_photo_is_never_cut_and_stands_with_its_name() {
    let many = (1..=9).flat_map(|i| {
        [
            Block::Text(format!("Before {i}. {}", "word ".repeat(i * 37))),
            photo(&format!("{i}. View"), 40 + i as u16 * 9, 70),
        ]
    });
    let (_folder, _, name) = written(report([Block::Title("Many".into())].into_iter().chain(many).collect()));
    let boxes = tool("pdftotext", &["-bbox", &name, "-"]);
    for page in boxes.split("<page ").skip(1) {
        for word in page.lines().filter(|l| l.contains("<word")) {
            let low: f32 =
                word.split("yMax=\"").nth(1).and_then(|w| w.split('"').next()?.parse().ok()).expect("a place");
            assert!(low < 842.0, "{word}");
        }
    }
    // As many pictures as photos, each named on the page it is drawn on.
    let listed = tool("pdfimages", &["-list", &name]);
    let pages: Vec<&str> = listed.lines().skip(2).filter_map(|l| l.split_whitespace().next()).collect();
    assert_eq!(pages.len(), 9, "{listed}");
    for (i, page) in pages.iter().enumerate() {
        let text = tool("pdftotext", &["-f", page, "-l", page, &name, "-"]);
        assert!(text.contains(&format!("{}. View", i + 1)), "photo {} on page {page}: {text}", i + 1);
    }
}

#[test]
fn hostile_texts_are_set_and_nothing_is_lost() {
    let texts = [
        "x".repeat(4_000),
        "\u{202e}evil\u{0}\u{feff}\u{fffe}\u{e000}".into(),
        "a\u{301}\u{302}\u{303} e\u{301} نص עברית 🪚\u{200d}🔧 \u{1f468}\u{200d}\u{1f469}".into(),
        "\n\n\n".into(),
        "word ".repeat(3_200),
        String::new(),
    ];
    for text in texts {
        let (t, long) = (text.clone(), text.clone());
        let blocks = vec![
            Block::Title(t.clone()),
            Block::Heading(t.clone()),
            Block::Facts(vec![(t.clone(), t.clone())]),
            Block::Quote { words: long.clone(), by: t.clone() },
            Block::List(vec![t.clone()]),
            Block::Table { columns: vec![(t.clone(), 0.1), ("x".into(), 0.9)], rows: vec![vec![t.clone(), t.clone()]] },
            Block::Exact(t),
        ];
        let (_folder, _, name) = written(report(blocks));
        tool("qpdf", &["--check", &name]);
    }
    assert!(pdf(&report(vec![])).is_ok(), "an empty one is a page");
}

#[test]
fn a_picture_that_is_none_is_refused_in_a_sentence() {
    let mut bad = photo("1. Broken", 8, 8);
    let Block::Photo(p) = &mut bad else { panic!("a photo") };
    p.jpeg = Some(Arc::new(b"no JPEG".to_vec()));
    assert!(
        pdf(&report(vec![Block::Title("x".into()), bad])).is_err_and(|e| e.starts_with("a picture cannot be read"))
    );
}

/// The last byte of a packed stream is one of 256, whatever is reported: texts are tried until some streams end in a CR. Length and data
/// of each are then told apart by a reader that knows nothing of how they were written.
#[test]
fn a_stream_whose_last_byte_is_a_cr_is_as_long_as_it_says() {
    let count = |file: &[u8], what: &[u8]| file.windows(what.len()).filter(|w| *w == what).count();
    let (mut met, mut tried) = (0, 0);
    while met < 3 {
        assert!(tried < 5_000, "of {tried} reports {met} had such a stream: nothing is shown");
        tried += 1;
        let text = format!("Entry {} {}", "a".repeat(1 + tried % 67), "b".repeat(1 + tried / 67));
        let (_folder, path, name) = written(report(vec![Block::Text(text.clone())]));
        let file = fs::read(&path).expect("the report");
        let doubtful = count(&file, b"\r\nendstream");
        let mended = count(&file, b"\r\r\nendstream");
        assert_eq!(doubtful, mended, "report {tried}: a CR of the data and the LF after it look like one end of line");
        if mended > 0 {
            met += 1;
            assert!(tool("qpdf", &["--check", &name]).contains("No syntax or stream encoding errors found"));
            assert_eq!(flat(&tool("pdftotext", &[&name, "-"])), format!("{text} Tag 0417, Tarn Street Page 1 of 1"));
        }
    }
}
