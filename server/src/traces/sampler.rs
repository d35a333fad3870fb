//! Which traces are kept: the samplers of the OpenTelemetry specification (Trace SDK, *Built-in samplers*) under the names of its
//! environment variables. Pure. A share is taken by the trace's own id, so that every service that is told the same share keeps the
//! same traces.

use super::context::TraceId;

/// Bits of a trace's id that are random for sure (W3C Trace Context level 2, *random trace-id flag*: its right 7 bytes).
const RANDOM_BITS: u32 = 56;

/// Which traces are kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sampler {
    /// Whether a trace of somebody else's is kept where they keep it, whatever is said of those that begin here.
    parent: bool,
    /// Traces whose random bits are at least this are kept (OpenTelemetry, *TraceState: probability sampling*: the rejection threshold).
    from: u64,
}

impl Sampler {
    /// As `OTEL_TRACES_SAMPLER` and `OTEL_TRACES_SAMPLER_ARG` say; without them everything, unless whoever asks does not keep it.
    ///
    /// # Errors
    /// A sentence: no such sampler here, or no share from 0 to 1.
    pub fn read(name: Option<&str>, share: Option<&str>) -> Result<Sampler, String> {
        let given = |text: Option<&str>| text.map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned);
        let name = given(name).unwrap_or_else(|| "parentbased_always_on".to_owned());
        let (parent, kind) = name.strip_prefix("parentbased_").map_or((false, name.as_str()), |kind| (true, kind));
        let share = match kind {
            "always_on" => 1.0,
            "always_off" => 0.0,
            "traceidratio" => match given(share).map_or(Ok(1.0), |s| s.parse::<f64>()) {
                Ok(share) if (0.0..=1.0).contains(&share) => share,
                _ => return Err("the share of traces that are kept is a number from 0 to 1, as 0.1".to_owned()),
            },
            _ => {
                return Err(format!(
                    "there is no sampler \"{name}\": always_on, always_off, traceidratio, each also with parentbased_ before it"
                ));
            }
        };
        let all = 1_u64 << RANDOM_BITS;
        // Exact: a share is between 0 and 1, and 2 to the 56th is a power of two.
        let from = ((1.0 - share) * all as f64).round() as u64;
        Ok(Sampler { parent, from })
    }

    /// Whether it keeps this trace; `theirs`: whether whoever asks keeps it, where they named it.
    pub fn keeps(&self, trace: &TraceId, theirs: Option<bool>) -> bool {
        match theirs {
            Some(kept) if self.parent => kept,
            _ => {
                let [.., a, b, c, d, e, f, g] = trace.0;
                u64::from_be_bytes([0, a, b, c, d, e, f, g]) >= self.from
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::AtomicU64;

    use super::*;
    use crate::edge::Random;

    fn sampler(name: &str, share: &str) -> Sampler {
        Sampler::read(Some(name), Some(share)).expect("a sampler")
    }

    #[test]
    fn each_sampler_keeps_what_the_specification_says() {
        // Trace SDK, "Built-in samplers": who follows the parent, and who does not.
        let trace = TraceId([0x80; 16]);
        for (name, share, of_its_own, theirs_kept, theirs_not) in [
            ("", "", true, true, false),
            ("parentbased_always_on", "", true, true, false),
            ("parentbased_always_off", "", false, true, false),
            ("parentbased_traceidratio", "0", false, true, false),
            ("always_on", "", true, true, true),
            ("always_off", "", false, false, false),
            ("traceidratio", "1", true, true, true),
            ("traceidratio", "", true, true, true),
            ("traceidratio", "0", false, false, false),
        ] {
            let one = sampler(name, share);
            assert_eq!(one.keeps(&trace, None), of_its_own, "{name} {share}");
            assert_eq!(one.keeps(&trace, Some(true)), theirs_kept, "{name} {share}");
            assert_eq!(one.keeps(&trace, Some(false)), theirs_not, "{name} {share}");
        }
    }

    #[test]
    fn a_share_goes_by_the_right_end_of_the_id_and_by_the_threshold() {
        // "TraceState: probability sampling": 0.25 rejects below 0xc0000000000000 of the 56 bits on the right.
        let quarter = sampler("traceidratio", "0.25");
        let of = |right: u64| {
            let mut id = [0xff; 16];
            id[8..].copy_from_slice(&right.to_be_bytes());
            TraceId(id)
        };
        assert!(quarter.keeps(&of(0x00c0_0000_0000_0000), None));
        assert!(!quarter.keeps(&of(0xffbf_ffff_ffff_ffff), None));
        assert!(!quarter.keeps(&of(0xff00_0000_0000_0000), None), "the eighth byte from the right does not count");
    }

    #[test]
    fn of_many_traces_a_share_is_kept_and_a_smaller_share_is_part_of_a_larger() {
        let random = Random::Seeded(Arc::new(AtomicU64::new(7)));
        let (tenth, third) = (sampler("traceidratio", "0.1"), sampler("traceidratio", "0.33"));
        let ids: Vec<TraceId> = (0..20_000).map(|_| TraceId(random.bytes())).collect();
        let kept = ids.iter().filter(|id| tenth.keeps(id, None)).count();
        // Five standard deviations of a binomial about 2,000.
        assert!((1_788..=2_212).contains(&kept), "{kept} of 20,000");
        assert!(ids.iter().filter(|id| tenth.keeps(id, None)).all(|id| third.keeps(id, None)));
    }

    #[test]
    fn what_is_no_sampler_and_no_share_is_told() {
        assert!(Sampler::read(Some("by_the_moon"), None).is_err_and(|e| e.contains("no sampler \"by_the_moon\"")));
        for share in ["-0.1", "1.1", "NaN", "ten", "inf"] {
            assert!(
                Sampler::read(Some("traceidratio"), Some(share)).is_err_and(|e| e.contains("from 0 to 1")),
                "{share}"
            );
        }
    }
}
