//! Is a k-d tree worth it where the program looks for neighbours? Prints nanoseconds of each way.
//!
//!     cargo run --release --manifest-path tests/studies/nearest/Cargo.toml
//!
//! Linking: candidates of a frame near the tracks that wait for them; every pair looked at, as `tracks::link` does, against a tree
//! of the candidates built anew for every frame. Line: the 4000 places that a busy frame yields; marked in a picture and looked up
//! there, as `line::links` does, against building the tree alone.

use std::hint::black_box;
use std::time::Instant;

use kiddo::{ImmutableKdTree, SquaredEuclidean};

/// How far a track may be from its candidate, pixels: a tip at 20 m/s between two of 240 frames a second, 8 m away, twice over.
const REACH_PX: f64 = 32.0;
const WIDTH: usize = 960;

/// Points in a picture of 1920 x 1080, scattered by a linear congruential generator.
fn points(n: usize, mut state: u64) -> Vec<[f64; 2]> {
    let mut next = |size: f64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64 * size
    };
    (0..n).map(|_| [next(1920.0), next(1080.0)]).collect()
}

fn by_pair(tracks: &[[f64; 2]], fresh: &[[f64; 2]]) -> usize {
    let near =
        |a: &[f64; 2], b: &[f64; 2]| (a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2) <= REACH_PX * REACH_PX;
    tracks.iter().map(|t| fresh.iter().filter(|f| near(t, f)).count()).sum()
}

fn tree(points: &[[f64; 2]]) -> ImmutableKdTree<f64, 2> {
    ImmutableKdTree::new_from_slice(points).expect("finite points")
}

fn by_tree(tracks: &[[f64; 2]], fresh: &[[f64; 2]]) -> usize {
    let tree = tree(fresh);
    let near = |t: &[f64; 2]| {
        tree.query(t).within::<SquaredEuclidean<f64>>(REACH_PX * REACH_PX).unsorted().execute().len()
    };
    tracks.iter().map(near).sum()
}

/// Least of several means: what else the machine does only adds.
fn nanoseconds(mut work: impl FnMut() -> usize) -> f64 {
    let rounds = 200;
    let mean = |_| {
        let began = Instant::now();
        (0..rounds).for_each(|_| {
            black_box(work());
        });
        began.elapsed().as_nanos() as f64 / f64::from(rounds)
    };
    (0..20).map(mean).fold(f64::INFINITY, f64::min)
}

fn main() {
    for n in [8, 32, 128, 512] {
        let (tracks, fresh) = (points(n, 1), points(n, 2));
        assert_eq!(by_pair(&tracks, &fresh), by_tree(&tracks, &fresh));
        let pair = nanoseconds(|| by_pair(black_box(&tracks), black_box(&fresh)));
        let tree = nanoseconds(|| by_tree(black_box(&tracks), black_box(&fresh)));
        println!("linking {n:4} tracks to {n:4} candidates: every pair {pair:9.0} ns, tree {tree:9.0} ns");
    }
    let places = points(4000, 3);
    let at: Vec<usize> = places.iter().map(|[x, y]| (*y as usize / 2) * WIDTH + *x as usize / 2).collect();
    let mut marks = vec![0u8; WIDTH * (540 + 64)];
    let marked = nanoseconds(|| {
        at.iter().for_each(|i| marks[*i] = 1);
        // twelve steps each way, three reads a step, where nothing ends it early
        let met: usize =
            at.iter().map(|i| (1..=72).map(|k| usize::from(marks[i + k * 7])).sum::<usize>()).sum();
        at.iter().for_each(|i| marks[*i] = 0);
        met
    });
    let built = nanoseconds(|| tree(black_box(&places)).size());
    println!("line, 4000 places: marks with all their neighbours {marked:9.0} ns, tree alone {built:9.0} ns");
}
