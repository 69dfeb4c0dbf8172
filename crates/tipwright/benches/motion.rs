//! A 10 s take of two cameras at 240 frames per second, everything estimated; and growth with length.
#![allow(missing_docs, clippy::unwrap_used)]

mod made;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use tipwright::motion::{MotionConfig, solve};

fn growth(c: &mut Criterion) {
    let mut group = c.benchmark_group("motion");
    group.sample_size(10);
    for seconds in [10.0, 20.0, 40.0, 80.0] {
        let problem = made::take(seconds, 240.0);
        group.bench_with_input(BenchmarkId::new("take_seconds", seconds), &problem, |b, p| {
            b.iter(|| solve(p, &MotionConfig::default()).unwrap());
        });
    }
    group.finish();
}

criterion_group!(benches, growth);
criterion_main!(benches);
