//! The kinds of machine that are shipped with the program.

use std::sync::LazyLock;

use crate::intake::kind::LoadedKind;

macro_rules! file {
    ($id:literal) => {
        ($id, include_bytes!(concat!("../../schema/kinds/", $id, ".toml")) as &[u8])
    };
}

/// The files, in the order they are offered.
const FILES: [(&str, &[u8]); 10] = [
    file!("two-stage-snow-thrower"),
    file!("single-stage-snow-thrower"),
    file!("chainsaw"),
    file!("cut-off-saw"),
    file!("trimmer"),
    file!("blower"),
    file!("walk-behind-mower"),
    file!("riding-mower"),
    file!("generator"),
    file!("pressure-washer"),
];

static SHIPPED: LazyLock<Vec<LoadedKind>> = LazyLock::new(|| {
    // A test loads each one. Were one broken all the same, a shop without it would be worse than no start.
    let load = |(id, bytes): &(&str, &[u8])| {
        LoadedKind::parse(bytes).unwrap_or_else(|e| panic!("{}", e.in_file(&format!("{id}.toml"))))
    };
    FILES.iter().map(load).collect()
});

/// The kinds shipped, in the order they are offered.
pub fn shipped() -> &'static [LoadedKind] {
    &SHIPPED
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_kind_loads() {
        for (id, bytes) in FILES {
            let loaded = LoadedKind::parse(bytes).unwrap_or_else(|e| panic!("{}", e.in_file(&format!("{id}.toml"))));
            assert_eq!(loaded.kind.id, id);
        }
        assert_eq!(shipped().len(), FILES.len());
    }
}
