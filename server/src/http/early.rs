//! The form for signing in as part of the document: who is signed in nowhere here types while the app is still on its way.
//!
//! The app's own page of the same fields takes this form over in place (`data-early`), with what was typed. Until then its button
//! is off, so that nothing is sent; and `method="post"` keeps a password out of every address.
//!
//! The code of a second factor is no part of it: the page asks for that once the password was right.

use actix_web::HttpRequest;
use actix_web::http::header;

use super::{guard, words_of};
use crate::app::App;
use crate::words::Catalogue;

/// Pages of the app for somebody who is not signed in, but for signing in.
const OUTSIDE: [&str; 4] = ["/set-up", "/pair", "/language", "/verify"];

/// The form in the caller's language, where the app will ask for it: a document that a browser opens, with no session, of a
/// shop that is set up, over a connection that the app works on.
pub async fn form(app: &App, req: &HttpRequest) -> Option<(&'static Catalogue, String)> {
    let opened = req.headers().get("sec-fetch-dest").is_some_and(|v| v == "document");
    let asks = opened && !guard::has_session(req.headers()) && !OUTSIDE.contains(&req.path().trim_end_matches('/'));
    if !asks || !(app.access.secure(req) || guard::asked_here(req.head())) {
        return None;
    }
    // No reason to refuse the document: the app asks again, and says what is wrong.
    app.access.is_set_up().await.ok().filter(|set_up| *set_up)?;
    let words = words_of(req);
    Some((words, drawn(words)))
}

/// What `pages/sign-in.js` draws, to the letter where it matters: elements, their order, names and keys.
fn drawn(words: &Catalogue) -> String {
    let say = |key: &str| text(&words.plain(key));
    let field = |id: &str, key: &str, input: &str| {
        format!(
            "<div class=\"field\" data-key=\"field-{id}\"><label for=\"{id}\">{}</label><input id=\"{id}\" name=\"{id}\" {input} required></div>",
            say(key)
        )
    };
    format!(
        "<h1>{title}</h1><form class=\"stack\" id=\"form\" data-key=\"form\" data-early method=\"post\">{name}{password}<div class=\"foot\"><button class=\"act act--heavy\" disabled>{button}</button></div></form>",
        title = say("page.sign-in.title"),
        name = field(
            "sign_in",
            "page.sign-in.name",
            "type=\"text\" autocomplete=\"username\" autocapitalize=\"none\" spellcheck=\"false\" enterkeyhint=\"next\" maxlength=\"100\" autofocus"
        ),
        password = field(
            "password",
            "page.sign-in.password",
            "type=\"password\" autocomplete=\"current-password\" maxlength=\"200\""
        ),
        button = say("act.sign-in"),
    )
}

/// A sentence as HTML text.
fn text(sentence: &str) -> String {
    sentence.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

/// Headers that decide what the document is.
pub const VARY: (header::HeaderName, &str) = (header::VARY, "Cookie, Accept-Language, Sec-Fetch-Dest");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_language_file_puts_no_markup_into_the_document() {
        let hostile = br#"{"page.sign-in.title":"<script>x</script>&","act.sign-in":"a"}"#;
        let form = drawn(&Catalogue::new("xx", hostile.as_slice()));
        assert!(form.starts_with("<h1>&lt;script&gt;x&lt;/script&gt;&amp;</h1>"), "{form}");
        assert_eq!(form.matches("<input").count(), 2);
        assert!(form.contains(" disabled>a</button>"), "nothing is sent before the app is there");
    }
}
