//! The web app, embedded: the one document for every page, its modules and styles under a build hash.

use std::sync::LazyLock;

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, web};
use evidence::digest::Hasher;
use rust_embed::RustEmbed;

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

async fn asset(path: web::Path<(String, String)>) -> Result<HttpResponse, Problem> {
    let (build, path) = path.into_inner();
    let file = Web::get(&path)
        .filter(|_| build == *BUILD && path != "jsconfig.json")
        .ok_or_else(|| Problem::not_found("There is no such file in this build."))?;
    Ok(HttpResponse::Ok()
        .content_type(media_type(&path))
        .insert_header((header::CACHE_CONTROL, "public, max-age=31536000, immutable"))
        .body(file.data.into_owned()))
}

async fn worker() -> Result<HttpResponse, Problem> {
    let file = Web::get("service-worker.js").ok_or_else(|| Problem::not_found("There is no service worker."))?;
    let text = String::from_utf8_lossy(&file.data).replace("__BUILD__", &BUILD);
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
    let text = text.replace("__GUIDE__", if guided { "yes" } else { "no" });
    Ok(HttpResponse::Ok()
        .content_type("text/html; charset=utf-8")
        .insert_header((header::CACHE_CONTROL, "no-cache"))
        .body(text))
}
