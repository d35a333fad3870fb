//! The EXIF block of a drawn picture (TIFF 6.0, EXIF 2.32), as an invented phone would write it.

/// What the camera's clock said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Taken {
    /// `2026:03:14 09:26:53`.
    pub wall: String,
    /// `+01:00`; not every phone writes one.
    pub offset: Option<String>,
    /// Three figures behind the second.
    pub sub_seconds: Option<String>,
}

/// A field: its tag, then text, or one whole number.
enum Field<'a> {
    Text(u16, &'a str),
    Short(u16, u16),
    Long(u16, u32),
}

impl Field<'_> {
    fn tag(&self) -> u16 {
        match self {
            Field::Text(tag, _) | Field::Short(tag, _) | Field::Long(tag, _) => *tag,
        }
    }
}

/// The block, little-endian, from its first byte on.
pub fn block(taken: &Taken, phone: &str, width: u32, height: u32) -> Vec<u8> {
    let mut first = vec![
        Field::Text(0x010E, "drawn, not photographed"),
        Field::Text(0x010F, "Invented"),
        Field::Text(0x0110, phone),
        Field::Short(0x0112, 1),
        Field::Text(0x0131, "2.4.1"),
        Field::Text(0x0132, &taken.wall),
        Field::Long(0x8769, 0),
    ];
    let start = 8u32;
    let first_end = start + length(&first);
    if let Some(Field::Long(_, at)) = first.last_mut() {
        *at = first_end;
    }
    let mut camera = vec![Field::Text(0x9003, &taken.wall), Field::Text(0x9004, &taken.wall)];
    if let Some(offset) = &taken.offset {
        camera.extend([0x9010, 0x9011, 0x9012].map(|tag| Field::Text(tag, offset)));
    }
    if let Some(sub) = &taken.sub_seconds {
        camera.extend([0x9291, 0x9292].map(|tag| Field::Text(tag, sub)));
    }
    camera.extend([Field::Long(0xA002, width), Field::Long(0xA003, height)]);
    camera.sort_by_key(Field::tag);
    let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
    directory(&mut out, &first, start);
    directory(&mut out, &camera, first_end);
    out
}

/// Bytes that a directory and what it points to take.
fn length(fields: &[Field]) -> u32 {
    let beside: usize = fields
        .iter()
        .map(|f| match f {
            Field::Text(_, text) if text.len() + 1 > 4 => (text.len() + 1).next_multiple_of(2),
            _ => 0,
        })
        .sum();
    (2 + fields.len() * 12 + 4 + beside) as u32
}

fn directory(out: &mut Vec<u8>, fields: &[Field], start: u32) {
    let mut beside = Vec::new();
    let after = start + (2 + fields.len() * 12 + 4) as u32;
    out.extend((fields.len() as u16).to_le_bytes());
    for field in fields {
        out.extend(field.tag().to_le_bytes());
        match field {
            Field::Text(_, text) => {
                out.extend(2u16.to_le_bytes());
                out.extend((text.len() as u32 + 1).to_le_bytes());
                let mut bytes = text.as_bytes().to_vec();
                bytes.push(0);
                if bytes.len() <= 4 {
                    bytes.resize(4, 0);
                    out.extend(bytes);
                } else {
                    out.extend((after + beside.len() as u32).to_le_bytes());
                    bytes.resize(bytes.len().next_multiple_of(2), 0);
                    beside.extend(bytes);
                }
            }
            Field::Short(_, n) => {
                out.extend(3u16.to_le_bytes());
                out.extend(1u32.to_le_bytes());
                out.extend([n.to_le_bytes(), [0, 0]].concat());
            }
            Field::Long(_, n) => {
                out.extend(4u16.to_le_bytes());
                out.extend(1u32.to_le_bytes());
                out.extend(n.to_le_bytes());
            }
        }
    }
    out.extend(0u32.to_le_bytes());
    out.extend(beside);
}
