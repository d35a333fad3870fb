//! Our claims against another program's reading (exiftool) of the same camera files, tag by tag. Every disagreement is
//! on a list with its reason, and a listed one that no longer disagrees fails too.

mod camera;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::process::Command;

use counterfoil::photo::claims::{Claims, Personal};
use counterfoil::photo::kind::{Kind, sniff};
use counterfoil::photo::{claims, layout};
use serde_json::{Map, Value};

/// Disagreements: file, member, why.
const KNOWN: &[(&str, &str, &str)] = &[
    (
        "piexif/images_01.jpg",
        "latitude",
        "4294967295 degrees: we give no number for what is on no globe, the raw text stays",
    ),
    (
        "piexif/images_r_casio.jpg",
        "body_serial",
        "bytes that are no text: we replace them all and say so, the other keeps some",
    ),
    ("pillow-heif/images_heif_other_nokia_bird_burst.heic", "kind", "a sequence of HEIC pictures: we keep it as HEIC"),
];

#[test]
fn claims_agree_with_another_reader() {
    let files = camera::files();
    let theirs = theirs(&files);
    let known: BTreeSet<(&str, &str)> = KNOWN.iter().map(|(file, member, _)| (*file, *member)).collect();
    let mut met = BTreeSet::new();
    let (mut compared, mut wrong) = (0, Vec::new());
    for (name, path) in &files {
        let bytes = fs::read(path).expect("a camera file");
        let their = &theirs[name];
        let Some(kind) = sniff(&bytes) else {
            let media = text(their.get("File:MIMEType"));
            let refused = !matches!(media.as_str(), "image/jpeg" | "image/png" | "image/webp" | "image/heic");
            check(&mut wrong, &known, &mut met, name, "kind", refused, format!("none against {media}"));
            continue;
        };
        let media = text(their.get("File:MIMEType")).replace("heif", "heic").replace("apng", "png");
        let agreed = media == kind.media_type();
        check(&mut wrong, &known, &mut met, name, "kind", agreed, format!("{} against {media}", kind.media_type()));
        let layout = layout::read(kind, &bytes);
        if kind != Kind::Heic {
            let size = format!("{} × {}", layout.width, layout.height);
            let size_of = |names: [&str; 2]| names.map(|n| text(their.get(n))).join(" × ");
            let found = size_of(["File:ImageWidth", "File:ImageHeight"]);
            let found = if kind == Kind::Png { size_of(["PNG:ImageWidth", "PNG:ImageHeight"]) } else { found };
            let found = if kind == Kind::Webp { size_of(["RIFF:ImageWidth", "RIFF:ImageHeight"]) } else { found };
            check(&mut wrong, &known, &mut met, name, "size", size == found, format!("{size} against {found}"));
        }
        let (claims, personal) = layout.exif.as_deref().map(claims::read).unwrap_or_default();
        for (member, ours, tag) in members(&claims, &personal) {
            let found = found_in(their, tag);
            compared += usize::from(!found.is_empty());
            let agreed = same(member, &ours, &found);
            check(&mut wrong, &known, &mut met, name, member, agreed, format!("{ours:?} against {found:?}"));
        }
    }
    assert!(wrong.is_empty(), "{} disagreements:\n{}", wrong.len(), wrong.join("\n"));
    let unmet: Vec<_> = known.difference(&met).collect();
    assert!(unmet.is_empty(), "listed, but they agree: {unmet:?}");
    assert!(compared > 300, "only {compared} values were compared");
    println!("{compared} values of {} files compared", files.len());
}

/// Another program writes every member into a file of each kind; we read it back.
#[test]
fn what_another_writer_writes_is_read() {
    let files = camera::files();
    let folder = tempfile::tempdir().expect("a folder");
    let written = [
        ("Make", "Alder"),
        ("Model", "Brenn 7"),
        ("Software", "fw 1.2.3"),
        ("Orientation", "6"),
        ("ModifyDate", "2026:11:25 13:30:00"),
        ("DateTimeOriginal", "2026:11:25 13:29:51"),
        ("CreateDate", "2026:11:25 13:29:52"),
        ("OffsetTime", "+01:00"),
        ("OffsetTimeOriginal", "-03:30"),
        ("OffsetTimeDigitized", "+05:45"),
        ("SubSecTime", "1"),
        ("SubSecTimeOriginal", "023"),
        ("SubSecTimeDigitized", "999999"),
        ("GPSDateStamp", "2026:11:25"),
        ("GPSTimeStamp", "12:29:51.25"),
        ("GPSLatitude", "44.9742"),
        ("GPSLatitudeRef", "S"),
        ("GPSLongitude", "10.0000001"),
        ("GPSLongitudeRef", "W"),
        ("SerialNumber", "SN 0017"),
        ("ImageUniqueID", "0123456789abcdef0123456789abcdef"),
    ];
    for (from, order) in [("exif.jpg", "II"), ("exif.jpg", "MM"), ("exif.png", "II"), ("exif.heic", "MM")] {
        let (_, source) =
            files.iter().find(|(name, _)| *name == format!("kamadak-exif/{from}")).expect("a camera file");
        let target = folder.path().join(from);
        let _ = fs::remove_file(&target);
        let mut command = Command::new("exiftool");
        command.args(["-q", "-n", "-all=", &format!("-ExifByteOrder={order}")]);
        command.args(written.iter().map(|(tag, value)| format!("-EXIF:{tag}={value}")));
        camera::run(command.arg("-o").arg(&target).arg(source));
        let bytes = fs::read(&target).expect("a written file");
        let kind = sniff(&bytes).expect("a kind");
        let (claims, personal) = claims::read(layout::read(kind, &bytes).exif.as_deref().expect("an EXIF block"));
        let json = serde_json::json!({"claims": claims, "personal": personal});
        let wanted = serde_json::json!({
            "claims": {
                "make": "Alder", "model": "Brenn 7", "software": "fw 1.2.3", "orientation": 6,
                "date_time": "2026:11:25 13:30:00", "date_time_original": "2026:11:25 13:29:51",
                "date_time_digitized": "2026:11:25 13:29:52", "offset_time": "+01:00", "offset_time_original": "-03:30",
                "offset_time_digitized": "+05:45", "sub_sec": "1", "sub_sec_original": "023", "sub_sec_digitized": "999999",
                "gps_date": "2026:11:25", "gps_time": "12/1 29/1 205/4"
            },
            "personal": {
                "body_serial": "SN 0017", "unique_id": "0123456789abcdef0123456789abcdef",
                "gps": json["personal"]["gps"]
            }
        });
        assert_eq!(json, wanted, "{from} {order}");
        let gps = personal.gps.expect("a position");
        assert_eq!(gps.latitude_millionths, Some(-44_974_200), "{from} {order}: {gps:?}");
        assert_eq!(gps.longitude_millionths, Some(-10_000_000), "{from} {order}: {gps:?}");
    }
}

fn check<'a>(
    wrong: &mut Vec<String>,
    known: &BTreeSet<(&'a str, &'a str)>,
    met: &mut BTreeSet<(&'a str, &'a str)>,
    file: &str,
    member: &str,
    agreed: bool,
    what: String,
) {
    if agreed {
        return;
    }
    match known.iter().find(|(f, m)| *f == file && *m == member) {
        Some(entry) => {
            met.insert(*entry);
        }
        None => wrong.push(format!("{file} {member}: {what}")),
    }
}

/// Our members, as text, with the other program's name for the tag.
fn members<'a>(claims: &Claims, personal: &Personal) -> Vec<(&'a str, String, &'a str)> {
    let c = |v: &Option<String>| v.clone().unwrap_or_default();
    let gps = personal.gps.clone().unwrap_or_default();
    let n = |v: Option<i64>| v.map(|n| n.to_string()).unwrap_or_default();
    vec![
        ("make", c(&claims.make), "IFD0:Make"),
        ("model", c(&claims.model), "IFD0:Model"),
        ("software", c(&claims.software), "IFD0:Software"),
        ("orientation", n(claims.orientation), "IFD0:Orientation"),
        ("date_time", c(&claims.date_time), "IFD0:ModifyDate"),
        ("date_time_original", c(&claims.date_time_original), "ExifIFD:DateTimeOriginal"),
        ("date_time_digitized", c(&claims.date_time_digitized), "ExifIFD:CreateDate"),
        ("offset_time", c(&claims.offset_time), "ExifIFD:OffsetTime"),
        ("offset_time_original", c(&claims.offset_time_original), "ExifIFD:OffsetTimeOriginal"),
        ("offset_time_digitized", c(&claims.offset_time_digitized), "ExifIFD:OffsetTimeDigitized"),
        ("sub_sec", c(&claims.sub_sec), "ExifIFD:SubSecTime"),
        ("sub_sec_original", c(&claims.sub_sec_original), "ExifIFD:SubSecTimeOriginal"),
        ("sub_sec_digitized", c(&claims.sub_sec_digitized), "ExifIFD:SubSecTimeDigitized"),
        ("gps_date", c(&claims.gps_date), "GPS:GPSDateStamp"),
        ("gps_time", c(&claims.gps_time), "GPS:GPSTimeStamp"),
        ("latitude", n(gps.latitude_millionths), "GPS:GPSLatitude"),
        ("longitude", n(gps.longitude_millionths), "GPS:GPSLongitude"),
        ("latitude_ref", c(&gps.latitude_ref), "GPS:GPSLatitudeRef"),
        ("longitude_ref", c(&gps.longitude_ref), "GPS:GPSLongitudeRef"),
        ("body_serial", c(&personal.body_serial), "ExifIFD:SerialNumber"),
        ("unique_id", c(&personal.unique_id), "ExifIFD:ImageUniqueID"),
    ]
}

/// Texts by themselves, but for blanks at the end, which the other program cuts; times of day and positions by value.
fn same(member: &str, ours: &str, theirs: &str) -> bool {
    match member {
        "gps_time" => {
            seconds(ours).is_some_and(|s| clock(theirs).is_some_and(|t| (s - t).abs() < 0.01)) || ours == theirs
        }
        "latitude" | "longitude" => {
            let (Ok(ours), Ok(theirs)) = (ours.parse::<f64>(), theirs.parse::<f64>()) else { return ours == theirs };
            (ours.abs() - theirs * 1e6).abs() < 1.0
        }
        // The other program writes what looks like a number as a number: 1.00 comes as 1.0.
        "software" if ours.trim_end().parse::<f64>().is_ok() => ours.trim_end().parse::<f64>() == theirs.parse::<f64>(),
        _ => ours.trim_end() == theirs.trim_end(),
    }
}

/// `13/1 29/1 512/10` in seconds.
fn seconds(fractions: &str) -> Option<f64> {
    let mut sum = 0.0;
    for (part, unit) in fractions.split(' ').zip([3600.0, 60.0, 1.0]) {
        let (num, denom) = part.split_once('/')?;
        sum += num.parse::<f64>().ok()? / denom.parse::<f64>().ok()? * unit;
    }
    Some(sum)
}

/// `13:29:51.2` in seconds.
fn clock(time: &str) -> Option<f64> {
    let parts: Option<Vec<f64>> = time.split(':').map(|p| p.parse().ok()).collect();
    parts.filter(|p| p.len() == 3).map(|p| p[0] * 3600.0 + p[1] * 60.0 + p[2])
}

fn text(value: Option<&Value>) -> String {
    match value {
        Some(Value::String(s)) => s.clone(),
        Some(other) => other.to_string(),
        None => String::new(),
    }
}

/// The other program's value, looked for in the directory it belongs into, then in the other.
fn found_in(their: &Map<String, Value>, tag: &str) -> String {
    let (directory, name) = tag.split_once(':').expect("a directory");
    let other = match directory {
        "IFD0" => "ExifIFD",
        "ExifIFD" => "IFD0",
        _ => directory,
    };
    text(their.get(tag).or_else(|| their.get(&format!("{other}:{name}"))))
}

/// The other program's reading of all files: numbers as they are, directories by name, no file left out.
fn theirs(files: &[(String, std::path::PathBuf)]) -> BTreeMap<String, Map<String, Value>> {
    let mut command = Command::new("exiftool");
    command.args(["-j", "-G1", "-a", "-n", "-q", "-q", "-charset", "exif=utf8", "-api", "LargeFileSupport=1"]);
    command.args(files.iter().map(|(_, path)| path));
    // It says 1 where one of the files is broken, as some are meant to be.
    let output = command.output().expect("exiftool runs: install libimage-exiftool-perl");
    let list: Vec<Map<String, Value>> = serde_json::from_slice(&output.stdout).expect("a list of objects");
    let by_path: BTreeMap<String, Map<String, Value>> =
        list.into_iter().map(|item| (text(item.get("SourceFile")), item)).collect();
    files
        .iter()
        .map(|(name, path)| {
            let found = by_path.get(&*path.to_string_lossy()).cloned();
            (name.clone(), found.unwrap_or_else(|| panic!("exiftool says nothing of {name}")))
        })
        .collect()
}
