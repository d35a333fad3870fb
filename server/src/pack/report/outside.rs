//! What others than the shop said of the log, in plain words: whose clock stamped it, who saw it, and what that means. And when the
//! log's own key changed.

use ::report::Block;
use evidence::cosignature::cosignatures;
use serde_json::json;

use super::Tell;
use crate::pack::page::{key_changes, seconds};

pub(super) fn outside(tell: &mut Tell<'_>) {
    let (input, shown) = (tell.input, tell.of.shown);
    if !shown.stamps.is_empty() {
        tell.head("pack.outside-title");
        let text = tell.w("pack.outside-words");
        tell.out.push(Block::Text(text));
        let one = |s: &crate::pack::outside::Placed| {
            let with = json!({"authority": s.stamp.authority, "when": input.wall(s.stamp.at), "index": s.size - 1});
            format!("{} {}", tell.say("pack.outside-stamp", &with), s.stamp.when)
        };
        let items = shown.stamps.iter().map(one).collect();
        tell.out.push(Block::List(items));
    }
    if !shown.witnessed.is_empty() {
        tell.head("pack.witness-title");
        let text = tell.w("pack.witness-words");
        tell.out.push(Block::Text(text));
        let mut items = Vec::new();
        for head in shown.witnessed {
            for c in cosignatures(&head.note, &[]).unwrap_or_default() {
                let with = json!({"name": c.name, "when": input.wall(seconds(c.time)), "index": head.size - 1});
                items.push(tell.say("pack.witness-seen", &with));
            }
        }
        tell.out.push(Block::List(items));
    }
    tell.section("pack.keys-title", key_changes(input, shown.entries));
}
