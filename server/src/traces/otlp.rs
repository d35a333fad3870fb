//! Spans as OTLP over HTTP carries them in JSON (OpenTelemetry protocol 1.x: ids in hexadecimal digits, 64-bit numbers as
//! strings). Pure.

use serde_json::{Value, json};

use super::context::{SpanId, TraceId};

/// What a span is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A step inside.
    Internal = 1,
    /// A request that was answered.
    Server = 2,
}

/// Something a span says of itself.
#[derive(Clone, Debug, PartialEq)]
pub enum Said {
    /// A word.
    Word(String),
    /// A number.
    Number(i64),
    /// Yes or no.
    Truth(bool),
}

/// A span that has ended.
#[derive(Clone, Debug, PartialEq)]
pub struct Ended {
    /// The trace.
    pub trace: TraceId,
    /// Its own id.
    pub id: SpanId,
    /// The span around it.
    pub parent: Option<SpanId>,
    /// What it is called.
    pub name: String,
    /// What it is of.
    pub kind: Kind,
    /// Begin, nanoseconds since 1970.
    pub from: u64,
    /// End.
    pub to: u64,
    /// What it says.
    pub said: Vec<(&'static str, Said)>,
    /// Whether it failed.
    pub failed: bool,
}

/// The status of a span that failed.
const FAILED: u8 = 2;

/// The body of one request.
pub fn body(resource: &[(String, String)], spans: &[Ended]) -> Value {
    let about: Vec<Value> = resource.iter().map(|(k, v)| json!({"key": k, "value": {"stringValue": v}})).collect();
    let scope = json!({"name": "counterfoil", "version": env!("CARGO_PKG_VERSION")});
    let spans: Vec<Value> = spans.iter().map(span).collect();
    json!({"resourceSpans": [{"resource": {"attributes": about}, "scopeSpans": [{"scope": scope, "spans": spans}]}]})
}

fn span(of: &Ended) -> Value {
    let said: Vec<Value> = of.said.iter().map(|(key, said)| json!({"key": key, "value": value(said)})).collect();
    let mut out = json!({
        "traceId": of.trace.to_string(),
        "spanId": of.id.to_string(),
        "name": of.name,
        "kind": of.kind as u8,
        "startTimeUnixNano": of.from.to_string(),
        "endTimeUnixNano": of.to.to_string(),
        "attributes": said,
    });
    if let (Some(out), Some(parent)) = (out.as_object_mut(), of.parent) {
        out.insert("parentSpanId".into(), parent.to_string().into());
    }
    if let (Some(out), true) = (out.as_object_mut(), of.failed) {
        out.insert("status".into(), json!({"code": FAILED}));
    }
    out
}

fn value(said: &Said) -> Value {
    match said {
        Said::Word(word) => json!({"stringValue": word}),
        Said::Number(number) => json!({"intValue": number.to_string()}),
        Said::Truth(truth) => json!({"boolValue": truth}),
    }
}

/// How many spans a collector says it did not take, although it answered 200.
pub fn rejected(answer: &[u8]) -> u64 {
    let told: Value = serde_json::from_slice(answer).unwrap_or_default();
    let number = &told["partialSuccess"]["rejectedSpans"];
    number.as_u64().or_else(|| number.as_str()?.parse().ok()).unwrap_or(0)
}

/// `OTEL_RESOURCE_ATTRIBUTES`: `key=value,key2=value2`, percent-encoded. What is no pair is an error for the whole, as the
/// specification wants it.
///
/// # Errors
/// A sentence.
pub fn attributes(text: &str) -> Result<Vec<(String, String)>, String> {
    pairs(text).ok_or_else(|| "resource attributes are written key=value,key=value, percent-encoded".to_owned())
}

/// Pairs as W3C Baggage writes them (3.3.1), without properties.
pub fn pairs(text: &str) -> Option<Vec<(String, String)>> {
    let pair = |pair: &str| {
        let (key, value) = pair.split_once('=')?;
        let (key, value) = (decoded(key.trim())?, decoded(value.trim())?);
        (!key.is_empty()).then_some((key, value))
    };
    text.split(',').map(str::trim).filter(|p| !p.is_empty()).map(pair).collect()
}

fn decoded(text: &str) -> Option<String> {
    let (mut out, mut bytes) = (Vec::new(), text.bytes());
    while let Some(byte) = bytes.next() {
        out.push(match byte {
            b'%' => {
                let digits = [bytes.next()?, bytes.next()?];
                u8::from_str_radix(std::str::from_utf8(&digits).ok()?, 16).ok()?
            }
            other => other,
        });
    }
    String::from_utf8(out).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_is_written_as_the_protocol_wants_it() {
        let span = Ended {
            trace: TraceId([0x5b; 16]),
            id: SpanId([0xee; 8]),
            parent: Some(SpanId([1; 8])),
            name: "GET /v1".into(),
            kind: Kind::Server,
            from: 1_544_712_660_000_000_000,
            to: 1_544_712_661_000_000_000,
            said: vec![("http.response.status_code", Said::Number(503)), ("bucket", Said::Truth(true))],
            failed: true,
        };
        let body = body(&[("service.name".into(), "counterfoil".into())], std::slice::from_ref(&span));
        let written = &body["resourceSpans"][0]["scopeSpans"][0]["spans"][0];
        assert_eq!(
            written,
            &json!({
                "traceId": "5b5b5b5b5b5b5b5b5b5b5b5b5b5b5b5b", "spanId": "eeeeeeeeeeeeeeee", "parentSpanId": "0101010101010101",
                "name": "GET /v1", "kind": 2,
                "startTimeUnixNano": "1544712660000000000", "endTimeUnixNano": "1544712661000000000",
                "attributes": [
                    {"key": "http.response.status_code", "value": {"intValue": "503"}},
                    {"key": "bucket", "value": {"boolValue": true}},
                ],
                "status": {"code": 2},
            })
        );
        let resource = &body["resourceSpans"][0]["resource"]["attributes"][0];
        assert_eq!(resource, &json!({"key": "service.name", "value": {"stringValue": "counterfoil"}}));
    }

    #[test]
    fn attributes_are_read_whole_or_not_at_all() {
        let read = attributes("deployment.environment=shop%2C%20one , host=a,").unwrap();
        assert_eq!(
            read,
            [("deployment.environment".into(), "shop, one".into()), ("host".into(), "a".into())]
                as [(String, String); 2]
        );
        assert!(attributes("").unwrap().is_empty());
        for wrong in ["a", "=b", "a=%2", "a=%zz", "a=1,b", "a=%ff"] {
            assert!(attributes(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn what_a_collector_did_not_take_is_counted() {
        assert_eq!(rejected(br#"{"partialSuccess":{"rejectedSpans":"3","errorMessage":"x"}}"#), 3);
        assert_eq!(rejected(br#"{"partialSuccess":{"rejectedSpans":2}}"#), 2);
        assert_eq!(rejected(b"{}"), 0);
        assert_eq!(rejected(b"<html>"), 0);
    }
}
