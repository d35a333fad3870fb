//! The spans of the program, as they are begun and ended, turned into what is exported. Only what stands in [`SAYS`] is: names and
//! ids of people are fields of spans for the log alone.

use std::fmt::Debug;

use tracing::field::{Field, Visit};
use tracing::span::{Attributes, Id, Record};
use tracing::{Metadata, Subscriber};
use tracing_subscriber::filter::LevelFilter;
use tracing_subscriber::layer::{Context as Layered, Filter, Layer};
use tracing_subscriber::registry::LookupSpan;

use super::context::{Context, SpanId, TraceId};
use super::export::Queue;
use super::otlp::{Ended, Kind, Said};
use super::sampler::Sampler;
use super::{REQUEST, TARGET};
use crate::edge::{Clock, Random};

/// Fields that are exported, and as what. Each holds a word of the program's own, or a number.
const SAYS: [(&str, &str); 7] = [
    ("id", "counterfoil.request_id"),
    ("method", "http.request.method"),
    ("route", "http.route"),
    ("status", "http.response.status_code"),
    ("bytes", "counterfoil.bytes"),
    ("bucket", "counterfoil.bucket"),
    ("commands", "counterfoil.commands"),
];
/// Methods by their names; any other is `_OTHER`, since whoever asks makes it up.
const METHODS: [&str; 9] = ["GET", "HEAD", "POST", "PUT", "DELETE", "CONNECT", "OPTIONS", "TRACE", "PATCH"];

/// What is known of a span that is open.
struct Open {
    ended: Ended,
    sampled: bool,
    /// Of a request: where it comes from.
    from: [Option<String>; 2],
}

/// Turns spans into what is exported.
#[derive(Debug)]
pub struct Spans {
    pub(super) queue: Queue,
    pub(super) sampler: Sampler,
    pub(super) clock: Clock,
    pub(super) random: Random,
}

/// Lets the spans through that are meant for it.
#[derive(Debug)]
pub struct Meant;

impl<S> Filter<S> for Meant {
    fn enabled(&self, about: &Metadata<'_>, _: &Layered<'_, S>) -> bool {
        about.is_span() && about.target() == TARGET
    }

    fn callsite_enabled(&self, about: &'static Metadata<'static>) -> tracing::subscriber::Interest {
        match about.is_span() && about.target() == TARGET {
            true => tracing::subscriber::Interest::always(),
            false => tracing::subscriber::Interest::never(),
        }
    }

    fn max_level_hint(&self) -> Option<LevelFilter> {
        Some(LevelFilter::DEBUG)
    }
}

impl<S: Subscriber + for<'a> LookupSpan<'a>> Layer<S> for Spans {
    fn on_new_span(&self, said: &Attributes<'_>, id: &Id, all: Layered<'_, S>) {
        let Some(span) = all.span(id) else { return };
        let request = said.metadata().name() == REQUEST;
        let around = span.parent().and_then(|p| {
            let extensions = p.extensions();
            extensions.get::<Open>().map(|open| (open.ended.trace, open.ended.id, open.sampled))
        });
        // What no request asked for is no trace of anybody's.
        if around.is_none() && !request {
            return;
        }
        let now = self.clock.nanos();
        let (trace, parent, sampled) = match around {
            Some((trace, parent, sampled)) => (trace, Some(parent), sampled),
            None => (Context::new(&self.random).trace, None, true),
        };
        let mut open = Open {
            ended: Ended {
                trace,
                id: SpanId(self.random.bytes()),
                parent,
                name: said.metadata().name().to_owned(),
                kind: if request { Kind::Server } else { Kind::Internal },
                from: now,
                to: now,
                said: Vec::new(),
                failed: false,
            },
            sampled,
            from: [None, None],
        };
        said.record(&mut open);
        if let Some(Ok(trace)) = open.from[0].as_deref().map(str::parse::<TraceId>) {
            open.ended.trace = trace;
            open.ended.parent = open.from[1].as_deref().and_then(|p| p.parse().ok());
        }
        if around.is_none() {
            // A trace without a span before it begins here.
            let theirs = open.ended.parent.map(|_| open.sampled);
            open.sampled = self.sampler.keeps(&open.ended.trace, theirs);
        }
        span.extensions_mut().insert(open);
    }

    fn on_record(&self, id: &Id, said: &Record<'_>, all: Layered<'_, S>) {
        if let Some(span) = all.span(id)
            && let Some(open) = span.extensions_mut().get_mut::<Open>()
        {
            said.record(open);
        }
    }

    /// What follows a request holds its span open: it ended when it was last worked on.
    fn on_exit(&self, id: &Id, all: Layered<'_, S>) {
        if let Some(span) = all.span(id)
            && let Some(open) = span.extensions_mut().get_mut::<Open>()
        {
            open.ended.to = self.clock.nanos().max(open.ended.from);
        }
    }

    fn on_close(&self, id: Id, all: Layered<'_, S>) {
        let open = all.span(&id).and_then(|span| span.extensions_mut().remove::<Open>());
        if let Some(open) = open.filter(|open| open.sampled) {
            self.queue.put(named(open.ended));
        }
    }
}

/// A request is called by its method and its route, as everywhere.
fn named(mut ended: Ended) -> Ended {
    let said = |key: &str| match ended.said.iter().find(|(k, _)| *k == key) {
        Some((_, Said::Word(word))) => Some(word.clone()),
        _ => None,
    };
    if ended.kind == Kind::Server {
        let method = said("http.request.method").unwrap_or_default();
        ended.name = match said("http.route") {
            Some(route) => format!("{method} {route}"),
            None => method,
        };
        let status =
            |(k, said): &(&str, Said)| *k == "http.response.status_code" && matches!(said, Said::Number(500..));
        ended.failed |= ended.said.iter().any(status);
    }
    ended
}

impl Open {
    fn note(&mut self, field: &Field, said: Said) {
        let Some((name, key)) = SAYS.iter().find(|(name, _)| *name == field.name()) else { return };
        let said = match (said, *name) {
            (Said::Word(word), "method") if !METHODS.contains(&word.as_str()) => Said::Word("_OTHER".into()),
            (Said::Word(word), "route") if word.is_empty() => return,
            (said, _) => said,
        };
        self.ended.said.push((*key, said));
    }
}

impl Visit for Open {
    fn record_debug(&mut self, field: &Field, value: &dyn Debug) {
        self.record_str(field, &format!("{value:?}"));
    }

    fn record_str(&mut self, field: &Field, value: &str) {
        match field.name() {
            "trace" => self.from[0] = Some(value.to_owned()),
            "parent" => self.from[1] = Some(value.to_owned()),
            _ => self.note(field, Said::Word(value.to_owned())),
        }
    }

    fn record_i64(&mut self, field: &Field, value: i64) {
        self.note(field, Said::Number(value));
    }

    fn record_u64(&mut self, field: &Field, value: u64) {
        self.note(field, Said::Number(i64::try_from(value).unwrap_or(i64::MAX)));
    }

    fn record_bool(&mut self, field: &Field, value: bool) {
        match field.name() {
            "unsampled" => self.sampled &= !value,
            "failed" => self.ended.failed |= value,
            _ => self.note(field, Said::Truth(value)),
        }
    }
}
