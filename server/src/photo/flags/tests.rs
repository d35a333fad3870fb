//! The flags of TRADE 6.2's list, each with its threshold (own rules where the source says none).

use jiff::tz::TimeZone;

use super::super::when::when;
use super::*;

const NOON: i64 = 1_795_608_000_000;

fn taken(at: &str) -> Claims {
    Claims { date_time_original: Some(at.into()), make: Some("Alder".into()), ..Claims::default() }
}

fn around(claims: &Claims, received: i64) -> Around {
    Around { times: when(claims, &TimeZone::UTC, None, received), others: Vec::new() }
}

fn told(claims: &Claims, around: &Around) -> Vec<String> {
    flags(claims, around).into_iter().map(|r| r.key).collect()
}

#[test]
fn an_ordinary_photo_has_none() {
    // 25 November 2026, 12:00 UTC is the receipt.
    let claims = Claims { software: Some("19.1".into()), ..taken("2026:11:25 11:58:00") };
    assert_eq!(told(&claims, &around(&claims, NOON)), Vec::<String>::new());
}

#[test]
fn what_the_file_does_not_have_is_told_alone() {
    assert_eq!(told(&Claims::default(), &around(&Claims::default(), NOON)), ["flag.no-exif"]);
}

#[test]
fn after_our_receipt_and_long_before_it() {
    let late = taken("2026:11:25 12:02:02");
    assert_eq!(told(&late, &around(&late, NOON)), ["flag.after-receipt-zone-assumed"]);
    let late = Claims { offset_time_original: Some("+00:00".into()), ..late };
    assert_eq!(told(&late, &around(&late, NOON)), ["flag.after-receipt"]);
    for (at, none) in [("2026:11:25 12:02:00", true), ("2026:11:24 12:00:01", true), ("2026:11:24 11:59:00", false)] {
        let claims = taken(at);
        assert_eq!(told(&claims, &around(&claims, NOON)).is_empty(), none, "{at}");
    }
    let old = taken("2026:10:01 12:00:00");
    let reason = flags(&old, &around(&old, NOON)).remove(0);
    assert_eq!((reason.key.as_str(), &reason.with["days"]), ("flag.long-before", &54.into()));
    // Unreadable and unset times say nothing.
    for odd in ["Sunday, 11am", "0000:00:00 00:00:00", ""] {
        let claims = taken(odd);
        assert_eq!(told(&claims, &around(&claims, NOON)), Vec::<String>::new(), "{odd}");
    }
}

#[test]
fn a_later_writing_and_the_program_that_did_it() {
    let claims = Claims { date_time: Some("2026:11:25 11:59:30".into()), ..taken("2026:11:25 11:58:00") };
    assert_eq!(told(&claims, &around(&claims, NOON)), ["flag.changed-later"]);
    let soon = Claims { date_time: Some("2026:11:25 11:58:20".into()), ..claims.clone() };
    assert_eq!(told(&soon, &around(&soon, NOON)), Vec::<String>::new());
    for (software, named) in
        [("Brenn Photo Editor 4", true), ("Gallery 9", true), ("HDR+ 1.0.5", false), ("fw 1.2", false)]
    {
        let claims = Claims { software: Some(software.into()), ..taken("2026:11:25 11:58:00") };
        assert_eq!(told(&claims, &around(&claims, NOON)) == ["flag.program"], named, "{software}");
    }
}

#[test]
fn the_other_photos_of_the_machine() {
    let claims = Claims { model: Some("7".into()), ..taken("2026:11:25 11:58:00") };
    let other = |at: &str, camera: &str| Other { taken: Some(at.into()), camera: Some(camera.into()) };
    let with = |others: Vec<Other>| Around { others, ..around(&claims, NOON) };
    let same = || other("2026:11:25 11:58:00", "Alder 7");
    assert_eq!(told(&claims, &with(vec![same()])), Vec::<String>::new());
    assert_eq!(told(&claims, &with(vec![same(), same()])), ["flag.same-second"]);
    assert_eq!(told(&claims, &with(vec![other("x", "Brenn 3")])), ["flag.other-camera"]);
    // The nearest before it counts; who records no camera is passed over.
    let list = vec![other("x", "Brenn 3"), same(), Other::default()];
    assert_eq!(told(&claims, &with(list)), Vec::<String>::new());
    let unset = taken("0000:00:00 00:00:00");
    let list = vec![other("0000:00:00 00:00:00", "Alder"); 5];
    assert_eq!(told(&unset, &Around { others: list, ..around(&unset, NOON) }), Vec::<String>::new());
}

#[test]
fn likeness_is_told_once_for_here_and_once_for_elsewhere() {
    let view = serde_json::json!({"en": "Bar side"});
    let found = |same_file, here, named: bool, same_view| Likeness {
        same_file,
        here,
        view: named.then(|| view.clone()),
        same_view,
    };
    let keys = |list: &[Likeness]| likeness(list).into_iter().map(|r| r.key).collect::<Vec<_>>();
    assert_eq!(keys(&[]), Vec::<String>::new());
    assert_eq!(keys(&[found(true, true, true, false)]), ["flag.same-file-view"]);
    assert_eq!(likeness(&[found(true, true, true, false)])[0].with["view"], view);
    assert_eq!(keys(&[found(true, true, true, true)]), ["flag.same-file"]);
    assert_eq!(keys(&[found(true, true, false, false)]), ["flag.same-file"]);
    assert_eq!(keys(&[found(false, true, true, false)]), ["flag.alike-view"]);
    assert_eq!(keys(&[found(false, true, false, false)]), ["flag.alike"]);
    // A retake of the same view is meant to look like the first take.
    assert_eq!(keys(&[found(false, true, true, true)]), Vec::<String>::new());
    let all = [found(false, true, true, true), found(false, true, true, false), found(false, false, false, false)];
    assert_eq!(keys(&all), ["flag.alike-view", "flag.alike-elsewhere"]);
    let both = [found(false, false, false, false), found(true, false, false, false)];
    assert_eq!(keys(&both), ["flag.same-file-elsewhere"], "the surer one");
}
