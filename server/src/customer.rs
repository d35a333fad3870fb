//! The customer as the log knows them: the people of an intake, and other intakes of the same people. Pure.

use serde_json::{Value, json};

use crate::intake::state::Intake;
use crate::search::fold;

/// Fewest digits that make two telephone numbers one.
const PHONE: usize = 7;

/// A person of an intake, as far as two cards can be compared.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Card {
    /// `owner`, `bringer` or `collector`.
    pub who: String,
    /// As written.
    pub name: String,
    /// As written.
    pub phone: String,
    /// As written.
    pub email: String,
    /// As written.
    pub address: String,
}

impl Card {
    /// As the page shows it: what is known of the person.
    pub fn shown(&self) -> Value {
        let known = |v: &String| (!v.is_empty()).then(|| json!(v));
        let members =
            [("name", &self.name), ("phone", &self.phone), ("email", &self.email), ("address", &self.address)];
        let mut out = serde_json::Map::from_iter([("who".to_owned(), json!(self.who))]);
        out.extend(members.into_iter().filter_map(|(k, v)| Some((k.to_owned(), known(v)?))));
        Value::Object(out)
    }
}

/// The people of an intake of whom something is known.
pub fn cards(intake: &Intake) -> Vec<Card> {
    let text = |t: &Option<String>| t.clone().unwrap_or_default();
    let mut out: Vec<Card> = intake
        .people
        .values()
        .map(|p| &p.what)
        .map(|p| Card {
            who: p.who.clone(),
            name: text(&p.name),
            phone: text(&p.phone),
            email: text(&p.email),
            address: text(&p.address),
        })
        .collect();
    if let Some(name) = intake.home.collector.as_ref().and_then(|c| c.what.name.clone()) {
        out.push(Card { who: "collector".into(), name, ..Card::default() });
    }
    out.retain(|c| !(c.name.is_empty() && c.phone.is_empty() && c.email.is_empty() && c.address.is_empty()));
    out
}

fn digits(text: &str) -> String {
    let all: String = text.chars().filter(char::is_ascii_digit).collect();
    all.trim_start_matches('0').to_owned()
}

fn words(text: &str) -> String {
    fold(text).split_whitespace().collect::<Vec<_>>().join(" ")
}

/// By what two intakes seem to be of one person: `phone`, `email`, `name`. A name alone says little; a person decides.
pub fn same(a: &[Card], b: &[Card]) -> Vec<&'static str> {
    let any = |same: &dyn Fn(&Card, &Card) -> bool| a.iter().any(|x| b.iter().any(|y| same(x, y)));
    let phone = |x: &Card, y: &Card| {
        let (x, y) = (digits(&x.phone), digits(&y.phone));
        let (short, long) = if x.len() <= y.len() { (x, y) } else { (y, x) };
        short.len() >= PHONE && long.ends_with(&short)
    };
    let equal = |x: &str, y: &str| !x.trim().is_empty() && words(x) == words(y);
    let mut out = Vec::new();
    if any(&phone) {
        out.push("phone");
    }
    if any(&|x, y| equal(&x.email, &y.email)) {
        out.push("email");
    }
    if any(&|x, y| equal(&x.name, &y.name)) {
        out.push("name");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn card(name: &str, phone: &str, email: &str) -> Vec<Card> {
        vec![Card { name: name.into(), phone: phone.into(), email: email.into(), ..Card::default() }]
    }

    #[test]
    fn one_person_is_found_however_they_were_written_down() {
        let one = card("M. Okafor", "+43 660 0000417", "m.okafor@mail.example");
        assert_eq!(
            same(&one, &card("m.  OKAFOR", "0660/0000417", "M.Okafor@mail.example")),
            ["phone", "email", "name"]
        );
        assert_eq!(same(&one, &card("Okafor M.", "0660 0000418", "")), [""; 0]);
        assert_eq!(same(&one, &card("", "417", "")), [""; 0], "an extension is nobody's number");
        assert_eq!(same(&card("", "", ""), &card(" ", "", "")), [""; 0], "two who are not known are not one");
    }
}
