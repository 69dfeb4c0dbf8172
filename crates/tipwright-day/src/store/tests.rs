#![allow(clippy::unwrap_used, reason = "tests: they may stop")]

use super::*;
use crate::session::names::TakeName;

fn take() -> TakeName {
    TakeName::new("01-before").unwrap()
}

fn path_csv() -> Place {
    Place::in_take(&take(), "path.csv").unwrap()
}

/// A folder with one kept take of one file.
fn with_a_take(root: &Path) {
    let store = Store::open(root).unwrap();
    let mut files = Files::new();
    store.put(&path_csv(), b"t_s\n1\n", &mut files).unwrap();
    store.keep(&Place::kept_take(&take()), "inputs", "shown", &files, &vec![1.5, 2.5]).unwrap();
    store.finish(true).unwrap();
}

fn kept(store: &Store, inputs: &str) -> Option<Kept<Vec<f64>>> {
    store.kept(&Place::kept_take(&take()), inputs)
}

#[test]
fn a_part_is_taken_over_only_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    with_a_take(folder.path());
    {
        let store = Store::open(folder.path()).unwrap();
        let found = kept(&store, "inputs").unwrap();
        assert_eq!(found.value, [1.5, 2.5]);
        assert!(store.is_whole(&found.files));
        assert!(kept(&store, "other inputs").is_none());
    }
    for damage in [&b""[..], b"t_s\n2\n"] {
        fs::write(path_csv().below(folder.path()), damage).unwrap();
        let store = Store::open(folder.path()).unwrap();
        assert!(!store.is_whole(&kept(&store, "inputs").unwrap().files));
    }
    fs::remove_file(path_csv().below(folder.path())).unwrap();
    let store = Store::open(folder.path()).unwrap();
    assert!(!store.is_whole(&kept(&store, "inputs").unwrap().files));
    drop(store);
    // one digit of what is kept
    let file = Place::kept_take(&take()).below(folder.path());
    let text = fs::read_to_string(&file).unwrap().replace("2.5", "3.5");
    fs::write(&file, text).unwrap();
    assert!(kept(&Store::open(folder.path()).unwrap(), "inputs").is_none());
    assert!(read::<Vec<f64>>(folder.path(), &Place::kept_take(&take())).is_err());
}

#[test]
fn a_second_run_at_once_is_refused_and_a_dead_one_blocks_nobody() {
    let folder = tempfile::tempdir().unwrap();
    let first = Store::open(folder.path()).unwrap();
    let error = Store::open(folder.path()).unwrap_err();
    assert!(matches!(error, StoreError::Busy { .. }), "{error}");
    assert!(error.to_string().contains(&format!("process {}", std::process::id())), "{error}");
    drop(first);
    assert!(folder.path().join(".lock").is_file());
    Store::open(folder.path()).unwrap();
}

#[test]
fn what_no_longer_belongs_goes_and_what_was_never_ours_stays() {
    let folder = tempfile::tempdir().unwrap();
    with_a_take(folder.path());
    let at = |name: &str| folder.path().join(name);
    for name in [
        "takes/gone/path.csv",
        "takes/gone/plots/loop-01.svg",
        "kept/take_gone.kept",
        "kept/take_old.json",
        "report/film/01-gone-stroke-01-west.mp4",
    ] {
        fs::create_dir_all(at(name).parent().unwrap()).unwrap();
        fs::write(at(name), "x").unwrap();
    }
    for name in ["takes/01-before/notes.txt", "notes.csv", "comparison/index.html"] {
        fs::create_dir_all(at(name).parent().unwrap()).unwrap();
        fs::write(at(name), "mine").unwrap();
    }
    fs::write(at("takes/01-before/.path.csv.77.part"), "half").unwrap();
    fs::create_dir_all(at("report/.film.77.part")).unwrap();
    fs::write(at("report/.film.77.part/a.mp4"), "half").unwrap();
    let store = Store::open(folder.path()).unwrap();
    assert!(!at("takes/01-before/.path.csv.77.part").exists() && !at("report/.film.77.part").exists());
    let found = kept(&store, "inputs").unwrap();
    assert!(store.is_whole(&found.files));
    store.finish(true).unwrap();
    for name in ["takes/gone", "kept/take_gone.kept", "kept/take_old.json", "report"] {
        assert!(!at(name).exists(), "{name}");
    }
    for name in
        ["takes/01-before/path.csv", "takes/01-before/notes.txt", "notes.csv", "comparison/index.html"]
    {
        assert!(at(name).is_file(), "{name}");
    }
}

#[test]
fn a_folder_of_somebody_else_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("report")).unwrap();
    assert!(matches!(Store::open(folder.path()), Err(StoreError::Foreign { .. })));
    let session = tempfile::tempdir().unwrap();
    fs::write(session.path().join("session.toml"), "schema = 1").unwrap();
    assert!(matches!(Store::open(session.path()), Err(StoreError::Foreign { .. })));
}
