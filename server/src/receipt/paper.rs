//! Paper for a day without a phone: a blank intake sheet of a kind, and a block of numbered tags. Nothing is pre-ticked. Pure.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::intake::kind::{Due, Kind, Named};
use crate::words::Catalogue;

/// The style of both; its hash stands in the page's policy.
pub const STYLE: &str = include_str!("paper.css");

fn document(words: &Catalogue, title: &str, content: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang=(words.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body { main { (content) } }
        }
    }
    .into_string()
}

/// A blank sheet: what the counter asks of this kind, with room to write.
pub fn sheet(words: &Catalogue, shop: &str, kind: &Kind) -> String {
    let w = |key: &str| words.plain(key);
    let line = |key: &str| html! { div.line { (w(key)) } };
    let counter = || kind.views.iter().filter(|v| v.due == Due::AtCounter);
    let name = words.text(&kind.name);
    let content = html! {
        header {
            div { h1 { (shop) ": " (name) } p { (w("paper.words")) } }
            div.box { (w("paper.tag")) }
        }
        p { b { (words.text(&kind.caution)) } }
        div.two { (line("paper.written-at")) (line("paper.written-by")) (line("receipt.field.make")) (line("receipt.field.model")) (line("receipt.field.serial")) (line("paper.place")) }
        section { h2 { (w("paper.owner")) } div.two { (line("paper.name")) (line("paper.phone")) (line("paper.email")) (line("paper.bringer")) } }
        section { h2 { (w("receipt.complaint")) } div.line.tall {} div.line {} }
        section {
            h2 { (w("paper.views")) }
            ul.views { @for view in counter() { li { b { (words.text(&view.short)) } ". " span.soft { (words.text(&view.stand)) } } } }
        }
        @for q in kind.questions.iter().filter(|q| q.due == Due::AtCounter) {
            section {
                h2 { (words.text(&q.name)) }
                ul.ticks { @for c in &q.choices { li { (words.text(&c.name)) } } @for n in ["does-not-know", "refused", "not-asked"] { li { (w(&format!("receipt.not.{n}"))) } } }
                @if q.choices.is_empty() { div.line {} }
            }
        }
        (parts(words, &w("receipt.condition"), &kind.parts))
        (parts(words, &w("receipt.safety-title"), &kind.safety))
        (parts(words, &w("receipt.accessories"), &kind.accessories))
        section { h2 { (w("receipt.arrangements")) } div.two { (line("paper.fee")) (line("paper.limit")) (line("paper.deposit")) (line("paper.diagnosis-by")) } }
        section { h2 { (w("receipt.terms")) } p.soft { (w("paper.terms")) } div.line.tall {} }
        section { p { (w("sheet.what-you-sign")) } div.two { div.line.tall { (w("paper.signature")) } div.line.tall { (w("paper.day")) } } }
    };
    document(words, &format!("{name}, {shop}"), &content)
}

/// Each part with room for what is seen; what is left blank was not looked at.
fn parts(words: &Catalogue, title: &str, list: &[Named]) -> Markup {
    html! { @if !list.is_empty() { section { h2 { (title) } div.two { @for p in list { div.line { (words.text(&p.name)) } } } } } }
}

/// Numbers from the first one on, as wide as it; none when it is no number.
pub fn numbers(from: &str, count: u32) -> Option<Vec<String>> {
    if !(1..=9).contains(&from.len()) || !from.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let first: u64 = from.parse().ok()?;
    Some((0..u64::from(count)).map(|i| format!("{:0width$}", first + i, width = from.len())).collect())
}

/// Numbered tags to cut apart.
pub fn tags(words: &Catalogue, shop: &str, numbers: &[String]) -> String {
    let content = html! {
        div.tags { @for n in numbers { div.tag { i {} b { (n) } p { (shop) } p.soft { (words.plain("receipt.tag-caution")) } } } }
    };
    let title = numbers.first().zip(numbers.last()).map(|(a, b)| format!("{a}–{b}, {shop}")).unwrap_or_default();
    document(words, &title, &content)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_their_width_and_grow_when_they_must() {
        assert_eq!(numbers("0098", 3), Some(vec!["0098".to_owned(), "0099".to_owned(), "0100".to_owned()]));
        assert_eq!(numbers("99", 2), Some(vec!["99".to_owned(), "100".to_owned()]));
        for bad in ["", "1234567890", "12a", "-1"] {
            assert_eq!(numbers(bad, 2), None, "{bad}");
        }
    }
}
