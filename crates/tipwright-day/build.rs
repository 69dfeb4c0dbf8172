//! The identity of a build: a digest of the sources that results come from and of the versions they are built with. A cleanly
//! committed tree and a copy of it without its history have the same one.

use std::path::{Path, PathBuf};

/// Crates that results come from; the simulator and the command line change none.
const CRATES: [&str; 5] =
    ["tipwright", "tipwright-physics", "tipwright-report", "tipwright-day", "tipwright-footage"];

fn main() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let mut files = vec![root.join("Cargo.lock"), root.join("Cargo.toml")];
    for name in CRATES {
        let folder = root.join("crates").join(name);
        println!("cargo::rerun-if-changed={}", folder.join("src").display());
        files.push(folder.join("Cargo.toml"));
        collect(&folder.join("src"), &mut files);
        collect(&folder.join("templates"), &mut files);
    }
    collect(&root.join("pipelines"), &mut files);
    let is_recipe =
        |f: &PathBuf| f.starts_with(root.join("pipelines")) && f.extension().is_none_or(|e| e != "toml");
    files.retain(|f| !is_recipe(f));
    files.sort();
    let mut hasher = blake3::Hasher::new();
    for file in &files {
        // a file that is not there counts as empty: its arrival changes the digest
        let bytes = std::fs::read(file).unwrap_or_default();
        let name = file.strip_prefix(&root).unwrap_or(file);
        hasher.update(name.as_os_str().as_encoded_bytes());
        hasher.update(&(bytes.len() as u64).to_le_bytes());
        hasher.update(&bytes);
    }
    for file in files.iter().filter(|f| f.is_file()) {
        println!("cargo::rerun-if-changed={}", file.display());
    }
    println!("cargo::rustc-env=TIPWRIGHT_BUILD={}", &hasher.finalize().to_hex()[..32]);
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() { collect(&path, files) } else { files.push(path) }
    }
}
