//! Addresses that the API describes answer 405 to every method that it does not (RFC 9110 15.5.6), and name those it does.

use std::sync::LazyLock;

use actix_web::body::MessageBody;
use actix_web::dev::{ResourceDef, ServiceRequest, ServiceResponse};
use actix_web::http::header::{self, HeaderValue};
use actix_web::middleware::Next;
use actix_web::{Error, ResponseError};
use serde_json::Value;

use super::openapi;
use crate::problem::Problem;

/// One address and the methods that it answers, in capitals, as `Allow` lists them.
struct Address {
    pattern: ResourceDef,
    allow: String,
}

static ADDRESSES: LazyLock<Vec<Address>> = LazyLock::new(|| {
    let document = serde_json::to_value(openapi::document()).unwrap_or_default();
    let paths = document.get("paths").and_then(Value::as_object).cloned().unwrap_or_default();
    let address = |(path, item): (String, Value)| {
        let operations = item.as_object().into_iter().flatten().filter(|(_, o)| o.get("operationId").is_some());
        let methods: Vec<String> = operations.map(|(method, _)| method.to_uppercase()).collect();
        Address { pattern: ResourceDef::new(path), allow: methods.join(", ") }
    };
    paths.into_iter().map(address).collect()
});

/// The middleware: `App::new().wrap(actix_web::middleware::from_fn(methods::known))`.
///
/// # Errors
/// What inner middleware fails with; refusals are answers.
pub async fn known<B: MessageBody + 'static>(
    req: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let here = ADDRESSES.iter().find(|a| a.pattern.is_match(req.path()));
    let Some(here) = here.filter(|a| a.allow.split(", ").all(|m| m != req.method().as_str())) else {
        return Ok(next.call(req).await?.map_into_left_body());
    };
    let problem = Problem::no_such_method(format!("Nothing here answers this method; these are: {}.", here.allow));
    let mut answer = problem.error_response();
    if let Ok(allow) = HeaderValue::from_str(&here.allow) {
        answer.headers_mut().insert(header::ALLOW, allow);
    }
    Ok(req.into_response(answer).map_into_right_body())
}
