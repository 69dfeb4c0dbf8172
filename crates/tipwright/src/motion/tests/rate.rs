//! A phone that changes its rate within a clip.

use super::*;

#[test]
fn the_slow_part_of_a_clip_is_seen_by_both_cameras_as_well() {
    let mut problem = two_cameras(240.0, 4.0, 0.3, 9, &oval);
    // 60 frames a second from the second second on, each camera at its own moment
    let slow_from_s = [2.0, 2.1];
    problem.observations.retain(|o| {
        let frame = (o.pts_s * 240.0).round() as i64;
        o.pts_s < slow_from_s[o.camera_idx] || frame % 4 == 2 * o.camera_idx as i64
    });
    let solution = solve(&problem, &MotionConfig::default()).unwrap();
    assert!(solution.degeneracies.is_empty(), "{:?}", solution.degeneracies);
    let times_s: Vec<f64> = (10..380).map(|i| f64::from(i) * 0.01).collect();
    let views = solution.views(&problem, 0, &times_s);
    assert!(views.iter().all(|v| *v == 2), "{views:?}");
    for t in times_s {
        let k = solution.kinematics(0, t).unwrap();
        let e = k.position_in_world - oval(t);
        // six standard deviations of the whole vector: none of 370 by chance
        assert!(e.norm() < 6.0 * k.covariance.fixed_view::<3, 3>(0, 0).trace().sqrt(), "{t}: {e}");
    }
}
