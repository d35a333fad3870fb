//! The web app, embedded: the one document for every page, its modules and styles under a build hash.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, web};
use evidence::digest::Hasher;
use rust_embed::RustEmbed;

use super::{early, packed};
use crate::app::App;
use crate::problem::Problem;

#[derive(RustEmbed)]
#[folder = "web/"]
struct Web;

/// The build: the first 16 hexadecimal digits of a hash over every file's name and bytes.
pub static BUILD: LazyLock<String> = LazyLock::new(|| {
    let mut names: Vec<String> = Web::iter().map(|n| n.into_owned()).collect();
    names.sort();
    let mut hasher = Hasher::new();
    for name in names {
        if let Some(file) = Web::get(&name) {
            hasher.update(name.as_bytes());
            hasher.update(&[0]);
            hasher.update(&file.metadata.sha256_hash());
        }
    }
    hasher.finish().hex()[..16].to_owned()
});

/// The sheets that every page needs, in the order in which they overrule each other. A phone fetches them as one file: each
/// file is a journey of its own, and many small ones pack badly.
const SHEETS: [&str; 9] = ["tokens", "base", "frame", "parts", "photos", "pages", "desk", "machine", "settings"];

/// What they are served as.
const SHEET: &str = "style/all.css";

fn sheet_name(of: &str) -> String {
    format!("style/{of}.css")
}

/// What the app consists of beside its one document, in order.
static FILES: LazyLock<Vec<String>> = LazyLock::new(|| {
    let beside = ["index.html", "jsconfig.json", "service-worker.js"];
    let joined = SHEETS.map(sheet_name);
    let own = Web::iter().map(|n| n.into_owned()).filter(|n| !beside.contains(&n.as_str()) && !joined.contains(n));
    let mut names: Vec<String> = own.chain([SHEET.to_owned()]).collect();
    names.sort();
    names
});

/// Modules and the sheet as they are served: without comments, which are a third of what a phone would fetch.
static MODULES: LazyLock<BTreeMap<String, String>> = LazyLock::new(|| {
    let modules = FILES.iter().filter(|n| n.ends_with(".js"));
    let bare = |n: &String| Web::get(n).map(|f| without_comments(&String::from_utf8_lossy(&f.data)));
    let sheet = SHEETS.map(sheet_name).iter().filter_map(bare).collect();
    modules.filter_map(|n| Some((n.clone(), bare(n)?))).chain([(SHEET.to_owned(), sheet)]).collect()
});

/// Every file that shrinks, packed.
static PACKED: LazyLock<BTreeMap<String, Vec<u8>>> = LazyLock::new(|| {
    let text = |n: &String| match MODULES.get(n) {
        Some(text) => packed::gzip(text.as_bytes()),
        None => Web::get(n).and_then(|f| packed::gzip(&f.data)),
    };
    FILES.iter().filter(|n| !n.ends_with(".png")).filter_map(|n| Some((n.clone(), text(n)?))).collect()
});

/// The module every page begins with, and the page that is seen first.
const FIRST: [&str; 2] = ["main.js", "pages/sign-in.js"];

/// Links by which a browser fetches at once what every page needs, not one import after the other.
static PRELOADS: LazyLock<String> = LazyLock::new(|| {
    let mut found: BTreeSet<String> = BTreeSet::new();
    let mut open: Vec<String> = FIRST.map(str::to_owned).to_vec();
    while let Some(name) = open.pop() {
        let Some(text) = MODULES.get(&name) else { continue };
        if found.insert(name.clone()) {
            open.extend(imports(&name, text));
        }
    }
    let modules = found.iter().filter(|n| *n != "main.js");
    modules.map(|n| format!("<link rel=\"modulepreload\" href=\"/app/{}/{n}\">\n", *BUILD)).collect()
});

/// A module without its comments that fill whole lines, and without blank lines. Nothing within a line is touched.
fn without_comments(text: &str) -> String {
    let (mut out, mut within) = (String::with_capacity(text.len()), false);
    for line in text.lines() {
        let bare = line.trim();
        if within || (bare.starts_with("/*") && bare.find("*/").is_none_or(|end| end + 2 == bare.len())) {
            within = !bare.ends_with("*/");
        } else if !bare.is_empty() && !bare.starts_with("//") {
            out.push_str(line);
            out.push('\n');
        }
    }
    out
}

/// The files that a module without comments imports at its beginning.
fn imports(name: &str, text: &str) -> Vec<String> {
    let folder = name.rsplit_once('/').map_or("", |(folder, _)| folder);
    let named = text.lines().filter(|l| l.starts_with("import ") || l.starts_with("export ") || l.starts_with('}'));
    let paths = named.filter_map(|l| l.split_once("from \"")?.1.split('"').next());
    paths.map(|path| joined(folder, path)).collect()
}

/// A relative path from a folder of the app.
fn joined(folder: &str, path: &str) -> String {
    let mut parts: Vec<&str> = folder.split('/').filter(|p| !p.is_empty()).collect();
    for part in path.split('/') {
        match part {
            "." => {}
            ".." => drop(parts.pop()),
            part => parts.push(part),
        }
    }
    parts.join("/")
}

/// Whether there is a line drawing of this name.
pub fn has_drawing(name: &str) -> bool {
    Web::get(&format!("drawings/{name}.svg")).is_some()
}

/// A text file of the app.
pub fn text(path: &str) -> Option<String> {
    String::from_utf8(Web::get(path)?.data.into_owned()).ok()
}

/// The routes of the app: everything that is not an API is one of its pages.
pub fn routes(cfg: &mut web::ServiceConfig) {
    cfg.service(web::resource("/app/{build}/{path:.*}").get(asset))
        .service(web::resource("/service-worker.js").get(worker))
        .service(web::resource("/favicon.ico").get(icon))
        .default_service(web::to(page));
}

fn media_type(path: &str) -> &'static str {
    match path.rsplit('.').next() {
        Some("js" | "mjs") => "text/javascript; charset=utf-8",
        Some("css") => "text/css; charset=utf-8",
        Some("svg") => "image/svg+xml",
        Some("html") => "text/html; charset=utf-8",
        Some("json" | "webmanifest") => "application/json",
        Some("png") => "image/png",
        _ => "application/octet-stream",
    }
}

async fn asset(req: HttpRequest, path: web::Path<(String, String)>) -> Result<HttpResponse, Problem> {
    let (build, path) = path.into_inner();
    let missing = || Problem::not_found("There is no such file in this build.");
    if build != *BUILD || !FILES.contains(&path) {
        return Err(missing());
    }
    let mut answer = HttpResponse::Ok();
    answer
        .content_type(media_type(&path))
        .insert_header((header::CACHE_CONTROL, "public, max-age=31536000, immutable"));
    if let Some(bytes) = PACKED.get(&path).filter(|_| packed::taken(&req)) {
        return Ok(packed::marked(answer.body(bytes.as_slice())));
    }
    Ok(match MODULES.get(&path) {
        Some(text) => answer.body(text.as_str()),
        None => answer.body(Web::get(&path).ok_or_else(missing)?.data.into_owned()),
    })
}

async fn worker() -> Result<HttpResponse, Problem> {
    let file = Web::get("service-worker.js").ok_or_else(|| Problem::not_found("There is no service worker."))?;
    let files = serde_json::to_string(&*FILES).map_err(super::no::fault)?;
    let text = String::from_utf8_lossy(&file.data).replace("__BUILD__", &BUILD).replace("[\"__FILES__\"]", &files);
    Ok(HttpResponse::Ok()
        .content_type("text/javascript; charset=utf-8")
        .insert_header((header::CACHE_CONTROL, "no-cache"))
        .body(text))
}

async fn icon() -> Result<HttpResponse, Problem> {
    let file = Web::get("icon.svg").ok_or_else(|| Problem::not_found("There is no icon."))?;
    Ok(HttpResponse::Ok().content_type("image/svg+xml").body(file.data.into_owned()))
}

/// The one document. Only addresses that a person may open give it; an unknown API address is a problem.
async fn page(req: HttpRequest) -> Result<HttpResponse, Problem> {
    let path = req.path();
    let read = req.method() == actix_web::http::Method::GET || req.method() == actix_web::http::Method::HEAD;
    if !read || path.starts_with("/v1") || path.starts_with("/app") || path.contains('.') {
        return Err(Problem::not_found("There is nothing at this address."));
    }
    let file = Web::get("index.html").ok_or_else(|| Problem::not_found("The web app is not in this build."))?;
    let text = String::from_utf8_lossy(&file.data).replace("__BUILD__", &BUILD);
    let guided = req.app_data::<web::Data<App>>().is_some_and(|app| app.settled.guided);
    let text = text.replace("__GUIDE__", if guided { "yes" } else { "no" }).replace("<!-- modules -->\n", &PRELOADS);
    let early = match req.app_data::<web::Data<App>>() {
        Some(app) => early::form(app, &req).await,
        None => None,
    };
    let text = match early {
        Some((words, form)) => text
            .replacen("<html lang=\"en\"", &format!("<html lang=\"{}\"", words.language), 1)
            .replacen("id=\"bar\"></header>", "id=\"bar\"><span class=\"bar__shop\">Counterfoil</span></header>", 1)
            .replacen("<!-- early -->", &form, 1),
        None => text.replacen("<!-- early -->", "", 1),
    };
    Ok(HttpResponse::Ok()
        .content_type("text/html; charset=utf-8")
        .insert_header((header::CACHE_CONTROL, "no-cache"))
        .insert_header(early::VARY)
        .body(text))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comments_that_fill_lines_go_and_nothing_else_does() {
        let text = "// a\n/** b\n * c */\n/** @type {X} */\nconst a = /** @type {any} */ (b); // d\n\n  /* e */\n  const r = /\\/\\*/;\n/** f */ const g = \"// h\";\n";
        let bare = "const a = /** @type {any} */ (b); // d\n  const r = /\\/\\*/;\n/** f */ const g = \"// h\";\n";
        assert_eq!(without_comments(text), bare);
    }

    #[test]
    fn every_sheet_is_in_the_one_that_is_served_and_print_alone_is_apart() {
        let mut sheets: Vec<String> = Web::iter().map(|n| n.into_owned()).filter(|n| n.ends_with(".css")).collect();
        let mut named: Vec<String> = SHEETS.map(sheet_name).into_iter().chain(["style/print.css".to_owned()]).collect();
        sheets.sort();
        named.sort();
        assert_eq!(sheets, named);
        let served: Vec<&String> = FILES.iter().filter(|n| n.ends_with(".css")).collect();
        assert_eq!(served, [SHEET, "style/print.css"]);
        let text = &MODULES[SHEET];
        assert!(
            text.starts_with(":root {") && text.contains(".machine__head {") && !text.contains("/*"),
            "{}",
            &text[..200]
        );
    }

    #[test]
    fn what_every_page_needs_is_named_once_and_is_there() {
        assert_eq!(joined("pages", "../core/app.js"), "core/app.js");
        assert_eq!(joined("", "./core/app.js"), "core/app.js");
        let named: Vec<&str> = PRELOADS.lines().collect();
        assert!(named.iter().any(|l| l.ends_with("/core/app.js\">")), "{named:?}");
        assert!(
            !named.iter().any(|l| l.contains("/pages/sheet.js")),
            "a page that is opened later is not fetched first"
        );
        let there = |l: &&str| FILES.iter().any(|f| l.ends_with(&format!("/{f}\">")));
        assert!(named.iter().all(there), "{named:?}");
    }
}
