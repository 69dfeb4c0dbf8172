//! Prints the time of solving takes of 10, 20, 40 and 80 s (two cameras, 240 frames per second, one core), per second
//! of take; fails when 10 s take longer than a second or growth is not linear.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

#[path = "../benches/made.rs"]
mod made;

use tipwright::motion::solve;
use tipwright::path::PathConfig;

fn main() {
    let mut per_second = Vec::new();
    for seconds in [10.0, 20.0, 40.0, 80.0] {
        let problem = made::take(seconds, 240.0);
        // The best of three: others may use the machine.
        let mut best_s = f64::INFINITY;
        let mut iterations = 0;
        for _ in 0..3 {
            let begin = std::time::Instant::now();
            let solution = solve(&problem, &PathConfig::default().motion).unwrap();
            best_s = best_s.min(begin.elapsed().as_secs_f64());
            iterations = solution.report.iterations;
        }
        per_second.push(best_s / seconds / f64::from(u32::try_from(iterations).unwrap()));
        println!(
            "{seconds:>4} s take: {best_s:.3} s, {iterations} iterations, {:.2} ms per second of take and iteration",
            1e3 * per_second[per_second.len() - 1]
        );
        assert!(seconds > 10.0 || best_s < 1.0, "a 10 s take took {best_s:.2} s");
    }
    let ratio = per_second[3] / per_second[0];
    println!("80 s against 10 s, per second and iteration: {ratio:.2} times");
    assert!(ratio < 1.5, "grows faster than the length");
}
