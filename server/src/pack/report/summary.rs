//! The first page: what, who, when and how sure, shown to whom; what the report shows and what it does not. Then what is not here, and how
//! to check.

use ::report::{Block, Signature};
use evidence::entry::Author;
use serde_json::json;

use super::Tell;
use crate::intake::strokes::Strokes;
use crate::pack::choose::Customer;
use crate::pack::page;
use crate::receipt::{lines, since};

/// Longest statement that stands on the first page too, in characters.
const SHORT: usize = 300;
/// Most condition lines and gaps named there.
const FEW: usize = 5;

pub(super) fn first_page(tell: &mut Tell<'_>) {
    let input = tell.input;
    let tag = input.since.tag().unwrap_or_default();
    let title = tell.say("report.title", &json!({"tag": tag}));
    tell.out.push(Block::Title(title));
    let what = tell.say("report.what", &json!({"shop": input.shop_name}));
    tell.out.push(Block::Text(what));
    let wanted = tell.of.shown.wanted;
    if let Some(view) = wanted.view.as_deref().and_then(|v| input.kind.view(v)) {
        let only = tell.say("pack.scope-view", &json!({"view": input.words.text(&view.name)}));
        tell.out.push(Block::Strong(only));
    }
    if wanted.claim.is_some() {
        let only = tell.w("pack.scope-claim");
        tell.out.push(Block::Strong(only));
    }
    if wanted.customer == Customer::Withheld {
        let without = tell.w("pack.scope-withheld");
        tell.out.push(Block::Strong(without));
    }
    let facts = facts(tell).into_iter().map(|(key, value)| (tell.w(key), value)).collect();
    tell.out.push(Block::Facts(facts));
    shows(tell);
}

/// What the record says in one line each; what it does not say has no line.
fn facts(tell: &Tell<'_>) -> Vec<(&'static str, String)> {
    let input = tell.input;
    let intake = input.intake;
    let mut out = vec![("report.fact.machine", lines::machine(input))];
    let mut tags = vec![input.since.tag().unwrap_or_default().to_owned()];
    tags.extend(since::tags(input));
    out.push(("report.fact.tag", tags.join(". ")));
    if let Some(opened) = &intake.opened {
        let mut came = vec![tell.said("report.came", &opened.mark, json!({}))];
        came.extend(lines::written(input));
        came.extend(lines::found(input));
        if let Some(e) = &opened.what.earlier {
            came.push(tell.say(&format!("receipt.again.{}", e.again.replace(' ', "-")), &json!({"tag": e.tag})));
        }
        out.push(("report.fact.came", came.join(" ")));
    }
    if let Some(owner) = intake.people.get("owner").map(|p| &p.what) {
        let contact = [&owner.phone, &owner.email, &owner.address].into_iter().flatten().cloned();
        let all: Vec<String> = std::iter::once(tell.told(owner.name.as_ref())).chain(contact).collect();
        out.push(("report.fact.owner", all.join(", ")));
    }
    if let Some(bringer) = intake.people.get("bringer").map(|p| &p.what) {
        let who = if bringer.same_as_owner { tell.w("care.the-owner") } else { tell.told(bringer.name.as_ref()) };
        let standing = bringer.standing.iter().map(|s| tell.w(&format!("receipt.standing.{}", s.replace(' ', "-"))));
        out.push(("report.fact.bringer", std::iter::once(who).chain(standing).collect::<Vec<_>>().join(", ")));
    }
    if let Some(said) = intake.statements.get("complaint").and_then(|s| s.what.text.as_ref())
        && said.chars().count() <= SHORT
    {
        out.push(("report.fact.said", tell.say("sheet.quoted", &json!({"text": said}))));
    }
    let number = |id| tell.number(id);
    let damage: Vec<String> = lines::noted(input, &number);
    if !damage.is_empty() {
        out.push(("report.fact.condition", first_few(damage)));
    }
    let left = lines::open(input).0;
    if !left.is_empty() {
        out.push(("report.fact.left-open", first_few(left)));
    }
    out.push(("report.fact.state", state(tell)));
    if let Some(ack) = &intake.acknowledgement {
        let with = json!({"when": input.wall(ack.mark.device_at), "language": input.shown_in});
        let how = match &ack.what.because {
            Some(because) => tell.say("receipt.not-signed", &json!({"because": because})),
            None => tell.w("state.signed") + ".",
        };
        out.push(("report.fact.shown", format!("{} {how}", tell.say("receipt.shown", &with))));
    }
    if let Some(mark) = &intake.custody.opened_up {
        out.push(("report.fact.opened", tell.said("care.line.opened", mark, json!({}))));
    }
    out.push(("report.fact.photos", sureness(tell)));
    let disputes = &intake.disputes;
    if !disputes.opened.is_empty() {
        let open = disputes.opened.iter().filter(|d| disputes.open(d.what.dispute)).count();
        out.push((
            "report.fact.disputes",
            tell.say("report.disputes", &json!({"open": open, "all": disputes.opened.len()})),
        ));
    }
    if !tell.of.shown.lacks.is_empty() {
        out.push(("report.fact.lacks", tell.say("report.lacks", &json!({"count": tell.of.shown.lacks.len()}))));
    }
    out
}

/// As many as one line each leaves room for; the rest stands below.
fn first_few(mut all: Vec<String>) -> String {
    let more = all.len() > FEW;
    all.truncate(FEW);
    all.join("; ") + if more { "; …" } else { "" }
}

fn state(tell: &Tell<'_>) -> String {
    let intake = tell.input.intake;
    let mut out = Vec::new();
    if let Some(mark) = &intake.taken_in {
        out.push(tell.said("receipt.taken-in", mark, json!({})));
    }
    if let Some(not) = &intake.not_taken_in {
        out.push(tell.said("receipt.not-taken-in", &not.mark, json!({"because": not.what.because})));
    }
    if let Some(mark) = &intake.home.handed_back {
        out.push(tell.said("home.receipt-done", mark, json!({})));
    }
    if out.is_empty() { tell.w("receipt.not-yet") } else { out.join(" ") }
}

/// How many photos there are, and how sure their times are: how many have a phone's clock that was measured, and a camera's word.
fn sureness(tell: &Tell<'_>) -> String {
    let placed = tell.of.shown.placed;
    let measured: Vec<i64> = placed.iter().filter_map(|p| Some(tell.input.phones.get(&p.photo)?.1)).collect();
    let camera = |p: &&crate::pack::gather::Placed| {
        let photo = tell.input.intake.photo(p.photo);
        photo.is_some_and(|p| super::timeline::camera(tell, p).is_some())
    };
    let worst = measured.iter().max().map_or(0, |ms| ms.div_euclid(1000) + 1);
    let with = json!({"all": placed.len(), "measured": measured.len(), "seconds": worst, "camera": placed.iter().filter(camera).count()});
    tell.say(if measured.is_empty() { "report.sureness-none" } else { "report.sureness" }, &with)
}

/// What "unchanged" means in plain words, and what it does not prove.
fn shows(tell: &mut Tell<'_>) {
    tell.head("report.shows");
    let staff = |e: &&(u64, evidence::entry::Entry)| matches!(e.1.said.author, Author::Staff { .. });
    let entries = tell.of.shown.entries;
    let first = entries.iter().find(staff).map(|(_, e)| e.kept.at);
    let last = entries.iter().map(|(_, e)| e.kept.at).max();
    let wall = |at: Option<i64>| at.map(|at| tell.input.wall(at)).unwrap_or_default();
    let with = json!({"shop": tell.input.shop_name, "first": wall(first), "last": wall(last)});
    let unchanged = tell.say("report.shows.unchanged", &with);
    tell.out.push(Block::Text(unchanged));
    for key in ["report.shows.not", "report.shows.clocks", "report.shows.opinions"] {
        let text = tell.w(key);
        tell.out.push(Block::Text(text));
    }
}

/// The words that were signed, the strokes, in which language they were shown and who read them out.
pub(super) fn signed(tell: &mut Tell<'_>) {
    let input = tell.input;
    let Some(ack) = &input.intake.acknowledgement else { return };
    tell.head("report.signed-title");
    let words = tell.w("sheet.what-you-sign");
    tell.out.push(Block::Quote {
        words,
        by: tell.say("receipt.shown", &json!({"when": input.wall(ack.mark.device_at), "language": input.shown_in})),
    });
    if let Some(reader) = &ack.what.reader {
        let text = tell.say("receipt.reader", &json!({"name": reader}));
        tell.out.push(Block::Text(text));
    }
    strokes(tell, tell.of.signature, ack.what.because.as_deref());
}

/// The strokes of a signature, or why there are none here.
pub(super) fn strokes(tell: &mut Tell<'_>, strokes: Option<&Strokes>, because: Option<&str>) {
    let block = match (strokes, because) {
        (Some(s), _) => Block::Signature(Signature {
            width: s.width as f32,
            height: s.height as f32,
            strokes: s.strokes.iter().map(|s| s.iter().map(|[x, y, _]| (*x as f32, *y as f32)).collect()).collect(),
            alt: tell.w("receipt.signature"),
        }),
        (None, Some(because)) => Block::Text(tell.say("receipt.not-signed", &json!({"because": because}))),
        (None, None) => Block::Text(tell.w("receipt.signature-kept")),
    };
    tell.out.push(block);
}

pub(super) fn lacks(tell: &mut Tell<'_>) {
    let items = tell.of.shown.lacks.iter().map(|l| page::lack(tell.input, l)).collect();
    tell.section("pack.lacks-title", items);
}

pub(super) fn check(tell: &mut Tell<'_>) {
    tell.head("report.check");
    let steps =
        ["report.check.page", "report.check.program", "report.check.by-hand", "report.check.key", "report.check.this"];
    let steps = steps.iter().map(|k| tell.w(k)).collect();
    tell.out.push(Block::List(steps));
    tell.out.push(Block::Exact(tell.input.checkpoint.trim_end().to_owned()));
    tell.soft("receipt.key");
    tell.out.push(Block::Exact(tell.input.verifier_key().to_owned()));
}
