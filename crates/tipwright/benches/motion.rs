//! A 10 s take of two cameras at 240 frames per second, everything estimated; and growth with length.
#![allow(missing_docs, clippy::unwrap_used)]

mod made;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use tipwright::motion::band::Arrow;
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

/// The band of ten seconds of three markers at 240 knots a second, with the border of two cameras.
fn band(c: &mut Criterion) {
    let (n, p, q) = (2400 * 9, 35, 16);
    let mut arrow = Arrow::new(n, p, q);
    for i in 0..n {
        for j in i.saturating_sub(p)..=i {
            let apart = (i - j) as f64;
            arrow.add_band(i, j, if i == j { 4.0 } else { 0.1 * (1.7 * apart + 0.01 * i as f64).sin() });
        }
        for b in 0..q {
            arrow.coupling[i * q + b] = 1e-3 * ((i * b) as f64).sin();
        }
    }
    for b in 0..q {
        arrow.border[(b, b)] = 10.0;
    }
    let factor = arrow.factor(0.0).unwrap();
    let mut group = c.benchmark_group("band");
    group.sample_size(20);
    group.bench_function("factor", |b| b.iter(|| arrow.factor(0.0).unwrap()));
    group.bench_function("inverse", |b| b.iter(|| factor.band_inverse()));
    group.bench_function("gain", |b| b.iter(|| factor.gain()));
    group.bench_function("solve", |b| b.iter(|| factor.solve(&arrow)));
    group.finish();
}

criterion_group!(benches, growth, band);
criterion_main!(benches);
