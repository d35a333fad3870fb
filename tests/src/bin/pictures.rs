//! `pictures DIR`: writes six sharp pictures of our own drawing, for tests that hand a browser photos.

fn main() -> std::io::Result<()> {
    let folder = std::env::args().nth(1).ok_or_else(|| std::io::Error::other("say which folder"))?;
    std::fs::create_dir_all(&folder)?;
    for i in 1..=6u64 {
        std::fs::write(format!("{folder}/picture-{i}.jpg"), tests::picture::sharp(i))?;
    }
    Ok(())
}
