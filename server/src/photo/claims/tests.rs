//! Claims out of EXIF blocks. Tags and types after Exif 2.32; the odd ones are seen in the wild or made up.

use exif::{Rational, SRational};

use super::super::synth::{exif, text};
use super::*;

fn thirds(parts: [(u32, u32); 3]) -> Value {
    Value::Rational(parts.map(|(num, denom)| Rational { num, denom }).into())
}

#[test]
fn each_member_is_kept_apart_and_raw() {
    let (claims, personal) = read(&exif(&[
        (Tag::Make, text("Alder ")),
        (Tag::Model, text("A-7")),
        (Tag::Software, text("1.0.4")),
        (Tag::Orientation, Value::Short(vec![6])),
        (Tag::DateTime, text("2026:11:25 13:30:00")),
        (Tag::DateTimeOriginal, text("2026:11:25 13:29:51")),
        (Tag::DateTimeDigitized, text("2026:11:25 13:29:52")),
        (Tag::OffsetTime, text("+01:00")),
        (Tag::OffsetTimeOriginal, text("+02:00")),
        (Tag::OffsetTimeDigitized, text("   :  ")),
        (Tag::SubSecTime, text("1")),
        (Tag::SubSecTimeOriginal, text("234")),
        (Tag::SubSecTimeDigitized, text("05 ")),
        (Tag::ImageUniqueID, text("0123456789abcdef0123456789abcdef")),
        (Tag::BodySerialNumber, text("SN 12")),
        (Tag::GPSDateStamp, text("2026:11:25")),
        (Tag::GPSTimeStamp, thirds([(12, 1), (29, 1), (512, 10)])),
        (Tag::GPSLatitudeRef, text("S")),
        (Tag::GPSLatitude, thirds([(44, 1), (58, 1), (2712, 100)])),
        (Tag::GPSLongitudeRef, text("E")),
        (Tag::GPSLongitude, thirds([(10, 1), (0, 1), (0, 1)])),
    ]));
    let json = serde_json::to_string(&claims).unwrap();
    assert_eq!(
        json,
        "{\"date_time\":\"2026:11:25 13:30:00\",\"date_time_digitized\":\"2026:11:25 13:29:52\",\
         \"date_time_original\":\"2026:11:25 13:29:51\",\"gps_date\":\"2026:11:25\",\"gps_time\":\"12/1 29/1 512/10\",\
         \"make\":\"Alder \",\"model\":\"A-7\",\"offset_time\":\"+01:00\",\"offset_time_digitized\":\"   :  \",\
         \"offset_time_original\":\"+02:00\",\"orientation\":6,\"software\":\"1.0.4\",\"sub_sec\":\"1\",\
         \"sub_sec_digitized\":\"05 \",\"sub_sec_original\":\"234\"}"
    );
    assert_eq!(serde_json::from_str::<Claims>(&json).unwrap(), claims);
    assert_eq!(claims.turn(), 6);
    assert_eq!(personal.unique_id.as_deref(), Some("0123456789abcdef0123456789abcdef"));
    assert_eq!(personal.body_serial.as_deref(), Some("SN 12"));
    let gps = personal.gps.unwrap();
    // 44° 58′ 27.12″ south: 44 + 58/60 + 27.12/3600 = 44.974 2 (arithmetic).
    assert_eq!((gps.latitude.as_deref(), gps.latitude_millionths), (Some("44/1 58/1 2712/100"), Some(-44_974_200)));
    assert_eq!((gps.longitude_ref.as_deref(), gps.longitude_millionths), (Some("E"), Some(10_000_000)));
}

#[test]
fn odd_members_are_kept_as_far_as_they_go() {
    let (claims, personal) = read(&exif(&[
        (Tag::DateTimeOriginal, text("Sunday, 11am")),
        (Tag::Make, Value::Ascii(vec![b"Br\x01enn\xE9".to_vec()])),
        (Tag::Model, text(&"m".repeat(500))),
        (Tag::Software, Value::Undefined(b"fw 2\0rest".to_vec(), 0)),
        (Tag::SubSecTime, Value::Short(vec![42])),
        (Tag::Orientation, Value::SLong(vec![8])),
        (Tag::GPSLatitudeRef, text("N")),
        (Tag::GPSLatitude, thirds([(0, 0), (0, 0), (0, 0)])),
        (Tag::GPSLongitudeRef, text("E")),
        (Tag::GPSLongitude, Value::SRational(vec![SRational { num: -200, denom: 1 }; 3])),
    ]));
    assert_eq!(claims.date_time_original.as_deref(), Some("Sunday, 11am"));
    assert_eq!(claims.make.as_deref(), Some("Br\u{FFFD}enn\u{FFFD}"));
    assert_eq!(claims.model.as_ref().map(String::len), Some(MAX_TEXT));
    assert_eq!(claims.software.as_deref(), Some("fw 2"));
    assert_eq!(claims.sub_sec.as_deref(), Some("42"));
    assert_eq!(claims.turn(), 8);
    let altered: Vec<_> = claims.altered.iter().map(|(k, v)| (k.as_str(), v.as_str())).collect();
    assert_eq!(altered, [("make", "replaced"), ("model", "cut")]);
    let gps = personal.gps.unwrap();
    assert_eq!((gps.latitude.as_deref(), gps.latitude_millionths), (Some("0/0 0/0 0/0"), None));
    assert_eq!((gps.longitude.as_deref(), gps.longitude_millionths), (Some("-200/1 -200/1 -200/1"), None));
}

#[test]
fn an_orientation_that_means_nothing_turns_nothing() {
    for odd in
        [Value::Short(vec![0]), Value::Short(vec![9]), Value::Long(vec![70_000]), text("6"), Value::Short(vec![])]
    {
        assert_eq!(read(&exif(&[(Tag::Orientation, odd)])).0.turn(), 1);
    }
}

#[test]
fn a_cut_block_gives_what_is_left() {
    let block = exif(&[
        (Tag::Make, text("Alder")),
        (Tag::Model, text("A-7 and more")),
        (Tag::Orientation, Value::Short(vec![3])),
    ]);
    for n in 0..block.len() {
        let (claims, _) = read(&block[..n]);
        assert!(claims.altered.is_empty());
    }
    assert_eq!(read(&block).0.model.as_deref(), Some("A-7 and more"));
    assert_eq!(read(b"no EXIF at all"), (Claims::default(), Personal::default()));
}
