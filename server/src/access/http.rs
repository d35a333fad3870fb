//! The routes of access, and their part of the API description.

use actix_web::web;
use utoipa::openapi::security::{ApiKey, ApiKeyValue, Http, HttpAuthScheme, SecurityScheme};
use utoipa::{Modify, OpenApi};

use super::{devices, links, pairing, proof, second_set_up, session, set_up, sign_in, staff, tokens};
use crate::edge::Millis;
use crate::problem::{FieldError, Problem, Retry};

/// Every route of access, with full paths; to be registered before any `/v1` scope, which would catch them. Expects
/// `web::Data<Access>` on the app.
pub fn routes(cfg: &mut web::ServiceConfig) {
    cfg.service(set_up::set_up)
        .service(sign_in::sign_in)
        .service(session::current)
        .service(session::sign_out)
        .service(proof::prove)
        .service(tokens::refresh)
        .service(tokens::revoke)
        .service(tokens::make)
        .service(pairing::claim)
        .service(pairing::make)
        .service(staff::list)
        .service(staff::add)
        .service(staff::change)
        .service(second_set_up::state)
        .service(second_set_up::show)
        .service(second_set_up::turn_on)
        .service(second_set_up::renew)
        .service(second_set_up::remove)
        .service(second_set_up::remove_theirs)
        .service(devices::list)
        .service(devices::revoke)
        .service(links::make)
        .service(links::list)
        .service(links::revoke);
}

#[derive(OpenApi)]
#[openapi(
    paths(
        set_up::set_up, sign_in::sign_in, session::current, session::sign_out, proof::prove, tokens::make, tokens::refresh, tokens::revoke,
        pairing::make, pairing::claim, staff::list, staff::add, staff::change, devices::list, devices::revoke,
        second_set_up::state, second_set_up::show, second_set_up::turn_on, second_set_up::renew, second_set_up::remove, second_set_up::remove_theirs,
        links::make, links::list, links::revoke,
    ),
    components(schemas(Problem, Retry, FieldError)),
    modifiers(&Schemes),
)]
struct Doc;

/// Access's part of the API description, with the security schemes `cookie` and `bearer` and the schema `Problem`.
pub fn doc() -> utoipa::openapi::OpenApi {
    Doc::openapi()
}

struct Schemes;

impl Modify for Schemes {
    fn modify(&self, openapi: &mut utoipa::openapi::OpenApi) {
        let components = openapi.components.get_or_insert_default();
        let cookie = ApiKey::Cookie(ApiKeyValue::with_description(
            session::COOKIE,
            &format!("Over plain HTTP, where a browser takes no such name: `{}`.", session::PLAIN_COOKIE),
        ));
        components.add_security_scheme("cookie", SecurityScheme::ApiKey(cookie));
        let mut bearer = Http::new(HttpAuthScheme::Bearer);
        bearer.bearer_format = Some("JWT".to_owned());
        components.add_security_scheme("bearer", SecurityScheme::Http(bearer));
    }
}

/// A time of ours on the wire: RFC 3339, UTC, milliseconds.
pub(crate) fn rfc3339(at: Millis) -> String {
    let at = jiff::Timestamp::from_millisecond(at).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    format!("{at:.3}")
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;

    #[test]
    fn every_operation_is_described_with_its_id_its_security_and_its_problems() {
        let doc: Value = serde_json::to_value(doc()).expect("a document");
        let mut ids = Vec::new();
        for (path, operations) in doc["paths"].as_object().expect("paths") {
            assert!(path.starts_with("/v1/"), "{path}");
            for (method, operation) in operations.as_object().expect("operations") {
                let id = operation["operationId"].as_str().expect("an id");
                assert!(!ids.contains(&id), "{id} twice");
                ids.push(id);
                assert!(operation["security"].is_array(), "{method} {path} says who may call");
                let fault = &operation["responses"]["500"]["content"][crate::problem::MEDIA_TYPE]["schema"]["$ref"];
                assert_eq!(fault, "#/components/schemas/Problem", "{method} {path}");
                let named = path.matches('{').count();
                let in_path = operation["parameters"].as_array().into_iter().flatten().filter(|p| p["in"] == "path");
                assert_eq!(in_path.count(), named, "{method} {path} describes its parameters");
            }
        }
        assert_eq!(ids.len(), 24);
        for needed in ["Problem", "SignedIn", "Tokens", "Role"] {
            assert!(doc["components"]["schemas"][needed].is_object(), "{needed}");
        }
        assert!(doc["components"]["securitySchemes"]["cookie"].is_object());
    }
}
