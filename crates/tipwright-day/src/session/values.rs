//! What no single value shows: values that are possible but unlikely, names that must differ, clips that must be there.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use super::casters::Rows;
use super::set_ups::plane_is_told;
use super::{CameraName, Clips, Finding, RodLengthM, SceneClips, Session, Subject, Take};
use tipwright::model::{Board, Pattern, Severity};

/// Wands that anyone waves by hand, metres; shorter ones say too little about scale.
const LIKELY_WAND_M: [f64; 2] = [0.2, 5.0];
/// Single-hand and double-hand rods lie inside (common practice: 6 to 16 ft).
const LIKELY_ROD_M: [f64; 2] = [1.5, 5.5];
/// 25 to 30 mm is 5 px at 8 m (CASTING 5.1); below 10 mm a marker is a pixel, above 120 mm it bends the rod by itself.
const LIKELY_MARKER_MM: [f64; 2] = [10.0, 120.0];
/// Butt markers nearer to each other give no direction, metres.
const LEAST_BUTT_GAP_M: f64 = 0.05;

struct Judge<'a> {
    path: &'a Path,
    out: &'a mut Vec<Finding>,
}

impl Judge<'_> {
    fn say(
        &mut self,
        subject: Subject,
        severity: Severity,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        self.out.push(Finding::new(subject, severity, what, remedy).in_file(self.path));
    }

    fn problem(&mut self, subject: Subject, what: impl Into<String>, remedy: impl Into<String>) {
        self.say(subject, Severity::Problem, what, remedy);
    }

    fn unlikely(&mut self, what: String, value: f64, likely: [f64; 2], remedy: &str) {
        if !(value >= likely[0] && value <= likely[1]) {
            self.say(Subject::Session, Severity::Warning, what, remedy);
        }
    }
}

/// Judges a session and gives every name the spelling of where it is first written.
pub(super) fn check(session: &mut Session, casters: Rows, path: &Path, out: &mut Vec<Finding>) {
    let mut judge = Judge { path, out };
    lengths(session, &mut judge);
    cameras(session, &mut judge);
    spell(session, &casters);
    let names: Vec<CameraName> = session.camera.iter().map(|c| c.name.clone()).collect();
    scene(session, &names, &mut judge);
    takes(session, &names, &casters, &mut judge);
    session.casters = casters.casters;
}

fn lengths(session: &Session, judge: &mut Judge<'_>) {
    let wand_m = session.wand.length_m.get();
    let remedy = "write the distance of its marker centres in metres";
    judge.unlikely(format!("a wand of {wand_m} m is unlikely"), wand_m, LIKELY_WAND_M, remedy);
    let rod_m = session.rod.length_m.get();
    let remedy = "write butt cap to tip-top in metres: 9 ft is 2.743";
    judge.unlikely(format!("a rod of {rod_m} m is unlikely"), rod_m, LIKELY_ROD_M, remedy);
    let tip = ("tip".to_string(), session.marker.tip.diameter_mm.get());
    let butts = session.marker.butt.iter().enumerate();
    let butts = butts.map(|(i, b)| (format!("butt {}", i + 1), b.diameter_mm.get()));
    for (marker, mm) in std::iter::once(tip).chain(butts) {
        let what = format!("a {marker} marker of {mm} mm is unlikely");
        judge.unlikely(what, mm, LIKELY_MARKER_MM, "25 to 40 mm is seen well from 8 m");
    }
    if session.marker.butt.len() > 2 {
        judge.problem(
            Subject::Session,
            format!("{} butt markers are given, at most two can be used", session.marker.butt.len()),
            "keep the two that stand farther apart",
        );
    }
    for butt in &session.marker.butt {
        if !(butt.at_m.get() < 0.75 * rod_m) {
            judge.problem(
                Subject::Session,
                format!(
                    "a butt marker at_m = {} does not lie on the lower part of a rod of {rod_m} m",
                    butt.at_m.get()
                ),
                "measure from the butt cap along the rod, below the first ferrule",
            );
        }
    }
    if let [a, b] = session.marker.butt.as_slice()
        && !((a.at_m.get() - b.at_m.get()).abs() >= LEAST_BUTT_GAP_M)
    {
        judge.problem(
            Subject::Session,
            "the two butt markers stand less than 50 mm apart, too close to give the rod's direction",
            "place them 300 mm apart or more",
        );
    }
}

fn cameras(session: &Session, judge: &mut Judge<'_>) {
    let hung = |s: &super::SetUpClips<'_>| s.scene.plumb.as_ref().is_some_and(|clips| !clips.is_empty());
    if session.camera.is_empty() || session.has_one_camera() && !session.set_ups().iter().all(hung) {
        // with a camera, the clip is what is missing
        let subject = if session.camera.is_empty() { Subject::Session } else { Subject::Scene };
        judge.problem(
            subject,
            format!("{} camera is given; depth needs two, or a plane that the cast lies in", session.camera.len()),
            "add a [[camera]] for the second phone; or film with the one the wand hung still at two places along the cast, and name that clip under [scene] plumb",
        );
    } else if session.has_one_camera() {
        judge.say(
            Subject::Session,
            Severity::Note,
            "there is one camera: takes are measured in the plane that a wand hung at two places tells (views = 1)",
            "their figures are less sure than those of two phones, and are compared among themselves only",
        );
    }
    let mut seen = BTreeSet::new();
    for camera in &session.camera {
        let lens = Subject::Lens { camera: camera.name.clone() };
        if !seen.insert(camera.name.key()) {
            judge.problem(
                Subject::Session,
                format!("two cameras have the name `{}`", camera.name),
                "rename one, here and in every clips table",
            );
        }
        match &camera.board {
            None if !camera.has_lens_file() => judge.problem(
                lens,
                "`board` is missing, and `lens` is not a lens file",
                "add board = { columns = 9, rows = 6, square_mm = 25.0 } (inner corners)",
            ),
            Some(board) if !has_counts(board) => judge.problem(
                lens,
                format!("{board} is no board of at least 3 x 3 inner corners, or 2 x 3 discs"),
                "write columns and rows: inner corners, or the discs of a row and the rows",
            ),
            Some(board) if board.pattern == Pattern::Chessboard && board.columns == board.rows => judge.say(
                lens,
                Severity::Warning,
                "a board with as many rows as columns can be seen four ways round",
                "use one with different counts, such as 9 x 6",
            ),
            _ => {}
        }
    }
}

/// Whether a board's counts are there, or are its own to say.
fn has_counts(board: &Board) -> bool {
    match board.pattern {
        Pattern::Coded if !board.has_counts() => board.columns == board.rows,
        Pattern::Chessboard | Pattern::Coded => board.columns >= 3 && board.rows >= 3,
        Pattern::Circles => board.columns >= 2 && board.rows >= 3,
    }
}

/// Names differ without regard to case, so another spelling means the same: clips get the spelling of their cameras, takes that
/// of their casters and of the first take of their phase.
fn spell(session: &mut Session, rows: &Rows) {
    let cameras: BTreeMap<String, CameraName> =
        session.camera.iter().map(|c| (c.name.key(), c.name.clone())).collect();
    let respell = |clips: &mut Clips| {
        let old = std::mem::take(clips);
        clips.extend(old.into_iter().map(|(n, clip)| (cameras.get(&n.key()).cloned().unwrap_or(n), clip)));
    };
    for scene in session.set_up.iter_mut().map(|s| &mut s.scene).chain([&mut session.scene]) {
        for clips in [Some(&mut scene.wand), scene.plumb.as_mut(), scene.toss.as_mut()].into_iter().flatten()
        {
            respell(clips);
        }
    }
    super::set_ups::by_name(session);
    let mut casters: BTreeMap<_, _> = rows.casters.iter().map(|c| (c.id.key(), c.id.clone())).collect();
    let mut phases = BTreeMap::new();
    for take in &mut session.take {
        respell(&mut take.clips);
        take.caster = casters.entry(take.caster.key()).or_insert_with(|| take.caster.clone()).clone();
        if let Some(phase) = &mut take.phase {
            *phase = phases.entry(phase.key()).or_insert_with(|| phase.clone()).clone();
        }
    }
}

fn scene(session: &Session, names: &[CameraName], judge: &mut Judge<'_>) {
    let all = session.set_ups();
    for set_up in &all {
        let (label, heaviest) = match all.len() {
            1 => (String::new(), Severity::Problem),
            // costs its takes, once their clips were opened and each has its set-up
            _ => (format!("set-up {}: ", set_up.shown()), Severity::Warning),
        };
        if session.has_one_camera() {
            scene_of_one(set_up.scene, &label, heaviest, &names[0], judge);
        } else {
            scene_of(set_up.scene, &label, heaviest, names, judge);
        }
    }
    let mut names = BTreeSet::new();
    for set_up in session.set_up.iter().filter(|s| !names.insert(s.name.key())) {
        let what = format!("two set-ups have the name `{}`; names differ in more than capitals", set_up.name);
        judge.problem(Subject::Scene, what, "rename one");
    }
}

fn scene_of(
    scene: &SceneClips,
    label: &str,
    heaviest: Severity,
    names: &[CameraName],
    judge: &mut Judge<'_>,
) {
    if scene.wand.is_empty() {
        let remedy = "add it; `tipwright new` writes an example with every key";
        judge.problem(Subject::Scene, format!("{label}`wand` is missing in [scene]"), remedy);
    }
    for (group, clips) in scene.groups() {
        let weight = if group == "wand" { heaviest } else { Severity::Warning };
        let label = format!("{label}{group}: ");
        clips_there(&Subject::Scene, &label, clips, (names, names), (weight, weight), judge);
    }
    if scene.plumb.is_none() {
        judge.say(
            Subject::Scene,
            Severity::Warning,
            format!(
                "{label}there is no plumb clip, so the vertical is taken from the cameras standing upright"
            ),
            "film the wand hung still from one end for a few seconds and add plumb = { ... }",
        );
    }
}

/// Of one camera the hung wand tells the plane of the cast, and nothing else is of use.
fn scene_of_one(
    scene: &SceneClips,
    label: &str,
    heaviest: Severity,
    camera: &CameraName,
    judge: &mut Judge<'_>,
) {
    for (group, clips) in scene.groups() {
        if group != "plumb" {
            let what = format!("{label}{group}: before one camera it tells nothing");
            judge.say(Subject::Scene, heaviest, what, "take the line out; `plumb` alone is needed");
        }
        for name in clips.keys().filter(|n| *n != camera) {
            let what = format!("{label}{group}: there is no camera `{name}`");
            judge.say(Subject::Scene, heaviest, what, format!("use the name of [[camera]]: {camera}"));
        }
        if !clips.contains_key(camera) {
            let what = format!("{label}{group}: no clip of camera `{camera}`");
            judge.say(Subject::Scene, heaviest, what, "add it");
        }
    }
}

/// Two clips of cameras that are `useful` (known, and in the scene) must be there; others are told. `of_one`: how bad it is to have one.
fn clips_there(
    subject: &Subject,
    group: &str,
    clips: &Clips,
    (cameras, useful): (&[CameraName], &[CameraName]),
    (weight, of_one): (Severity, Severity),
    judge: &mut Judge<'_>,
) {
    let mut files: BTreeMap<&PathBuf, &CameraName> = BTreeMap::new();
    let mut good = 0;
    for (camera, clip) in clips.iter().filter(|(c, _)| useful.contains(c)) {
        match files.insert(clip, camera) {
            None => good += 1,
            Some(other) => judge.say(
                subject.clone(),
                weight,
                format!("{group}the clip {} is given for camera {other} and camera {camera}", clip.display()),
                "each camera has a clip of its own",
            ),
        }
    }
    // with two good clips the rest is missed, not needed; with one as bad as one clip is; a name that is wrong is to be mended
    let of_names = if good >= 2 { Severity::Warning.min(weight) } else { weight };
    let weight = match good {
        0 => weight,
        1 => of_one,
        _ => Severity::Warning.min(weight),
    };
    let known = || cameras.iter().map(CameraName::as_str).collect::<Vec<_>>().join(", ");
    for name in clips.keys().filter(|n| !cameras.contains(n)) {
        judge.say(
            subject.clone(),
            of_names,
            format!("{group}there is no camera `{name}`"),
            format!("use the names of [[camera]]: {}", known()),
        );
    }
    for name in cameras.iter().filter(|n| !clips.contains_key(*n)) {
        judge.say(subject.clone(), weight, format!("{group}no clip of camera `{name}`"), "add it");
    }
    for name in clips.keys().filter(|n| cameras.contains(n) && !useful.contains(n)) {
        judge.say(
            subject.clone(),
            weight,
            format!("{group}camera {name} has no wand clip, so nobody knows where it stands"),
            "film the wand with it too, and add the clip to [scene] wand",
        );
    }
}

fn takes(session: &Session, cameras: &[CameraName], rows: &Rows, judge: &mut Judge<'_>) {
    if session.take.is_empty() && judge.out.iter().all(|f| f.subject.take_idx().is_none()) {
        let remedy = "add a [[take]] for each pair of clips of a caster";
        judge.say(Subject::Session, Severity::Warning, "there are no takes", remedy);
    }
    let set_ups = session.set_ups();
    let mut counts = BTreeMap::<String, usize>::new();
    for take in &session.take {
        *counts.entry(take.name.key()).or_default() += 1;
    }
    for take in &session.take {
        let subject = take.subject();
        if counts[&take.name.key()] > 1 {
            let what = "two takes have this name; names differ in more than capitals";
            judge.problem(subject.clone(), what, "rename one");
        }
        // without a name it is any of them
        let may_be = |i: usize| take.set_up_idx.is_none_or(|own| own == i);
        let is_in_scene = |c: &CameraName| {
            (0..).zip(&set_ups).any(|(i, s)| may_be(i) && s.scene.standing().1.contains_key(c))
        };
        let in_scene: Vec<CameraName> = cameras.iter().filter(|c| is_in_scene(c)).cloned().collect();
        let of_one = if plane_is_told(session, take, |t| t.clips.len()) {
            Severity::Warning
        } else {
            Severity::Problem
        };
        clips_there(&subject, "", &take.clips, (cameras, &in_scene), (Severity::Problem, of_one), judge);
        if let Some((what, remedy)) = rows.bad.get(&take.caster.key()) {
            judge.problem(subject.clone(), what.clone(), *remedy);
        } else if !rows.casters.is_empty() && !rows.casters.iter().any(|c| c.id == take.caster) {
            let what = format!("caster `{}` is not in casters.csv", take.caster);
            judge.say(subject.clone(), Severity::Warning, what, "add a row, or correct the id");
        }
        let own_rod_m = rows
            .casters
            .iter()
            .find(|c| c.id == take.caster)
            .and_then(|c| c.rod_length_m)
            .map(RodLengthM::get);
        if let Some(rod_m) =
            own_rod_m.filter(|m| session.marker.butt.iter().any(|b| !(b.at_m.get() < 0.75 * m)))
        {
            let what =
                format!("the butt markers do not lie on the lower part of this caster's rod of {rod_m} m");
            judge.problem(subject.clone(), what, "correct rod_length_m in casters.csv");
        }
        if let (Some(from), Some(to)) = (take.from_s, take.to_s)
            && !(from.get() < to.get())
        {
            let what = format!("from_s = {} is not before to_s = {}", from.get(), to.get());
            judge.problem(subject.clone(), what, "correct them");
        }
        if let Some(name) = take.set_up.as_ref().filter(|_| take.set_up_idx.is_none()) {
            judge.problem(subject, format!("there is no [[set_up]] `{name}`"), "correct its name");
        }
    }
    let mut owners: BTreeMap<&PathBuf, Vec<&Take>> = BTreeMap::new();
    for take in &session.take {
        let files: BTreeSet<&PathBuf> = take.clips.values().collect();
        for clip in files {
            owners.entry(clip).or_default().push(take);
        }
    }
    for (clip, owners) in owners.into_iter().filter(|(_, owners)| share_time(owners)) {
        let subject = owners[0].subject();
        let names: Vec<&str> = owners.iter().take(10).map(|take| take.name.as_str()).collect();
        judge.say(
            subject,
            Severity::Warning,
            format!("the clip {} stands in {} takes ({})", clip.display(), owners.len(), names.join(", ")),
            "give each take and camera its own clip",
        );
    }
}

/// Whether two of the takes are the same part of their clip.
fn share_time(takes: &[&Take]) -> bool {
    let mut spans: Vec<[f64; 2]> = takes.iter().map(|t| t.part_s()).collect();
    spans.sort_by(|a, b| a[0].total_cmp(&b[0]));
    spans.windows(2).any(|w| w[1][0] < w[0][1])
}
