//! The kinds of machine that are shipped with the program.

use std::sync::LazyLock;

use crate::intake::kind::LoadedKind;

static SHIPPED: LazyLock<Vec<LoadedKind>> = LazyLock::new(|| {
    let files: [&[u8]; 1] = [include_bytes!("../../schema/kinds/chainsaw.toml")];
    // A test loads each one, so that none can be missing here.
    files.iter().filter_map(|bytes| LoadedKind::parse(bytes).ok()).collect()
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
        LoadedKind::parse(include_bytes!("../../schema/kinds/chainsaw.toml")).unwrap();
        assert_eq!(shipped().len(), 1);
    }
}
