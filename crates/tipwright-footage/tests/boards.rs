//! Drawn boards of every parity and both colourings, upright and turned: all must be read and give the lens they were drawn with.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it may stop, and it prints its figures"
)]

mod drawn;

use std::path::Path;
use std::time::Instant;

use drawn::{Show, WHOLE, board, rays, stills, truth};
use tipwright::lens::{LensCalibration, LensConfig, LensError, from_source};
use tipwright::model::{Board, Pattern};
use tipwright_footage::Reader;

/// Views of each board.
const VIEWS: usize = 14;

/// A coded board as near as one is held that may be partly outside. Drawn wholly inside these small pictures its squares are some 22 px
/// wide and cells of its codes 3 px: of such views 10 to 13 of 14 are read, and the lens is within 0.1 %.
const NEAR: Show = Show { reach: 0.35, whole: false, ..WHOLE };

fn calibrated(folder: &Path, said: &Board) -> Result<LensCalibration, LensError> {
    from_source(&Reader::default(), folder, said, None, &LensConfig::default(), &|_| ())
}

/// The lens of a folder against the truth, with at least so many of its views.
fn gives_the_lens(name: &str, folder: &Path, said: &Board, fewest: usize) -> LensCalibration {
    let found = calibrated(folder, said).unwrap_or_else(|e| panic!("{name}: {e}"));
    let (fx, fy) = (found.lens.fx_px / truth().fx_px - 1.0, found.lens.fy_px / truth().fy_px - 1.0);
    println!(
        "{name}: {} of {VIEWS} views, rms {:.3} px, fx {:+.3} %, fy {:+.3} %",
        found.used_count(),
        found.lens.rms_px.unwrap(),
        100.0 * fx,
        100.0 * fy
    );
    let why: Vec<_> = found.views.iter().map(|v| &v.left_out).collect();
    assert!(found.used_count() >= fewest, "{name}: {why:?}");
    assert!(fx.abs() < 0.003 && fy.abs() < 0.003, "{name}: {fx} {fy}");
    found
}

#[test]
fn boards_of_every_parity_both_colourings_and_quarter_turns_give_the_lens() {
    let rays = rays(&truth());
    for pattern in [Pattern::Chessboard, Pattern::Coded] {
        for (columns, rows) in [(9, 7), (8, 6), (7, 7), (6, 6), (9, 6)] {
            for (first_white, turn_deg) in [(false, 0.0), (true, 0.0), (true, 90.0), (false, -90.0)] {
                let board = board(pattern, columns, rows);
                let held = if pattern == Pattern::Coded { NEAR } else { WHOLE };
                let folder = stills(&board, &Show { first_white, turn_deg, ..held }, VIEWS, &rays);
                let first = if first_white { "white" } else { "black" };
                let name = format!("{board}, first square {first}, turned {turn_deg}");
                let said =
                    if pattern == Pattern::Coded { Board { columns: 0, rows: 0, ..board } } else { board };
                let found = gives_the_lens(&name, folder.path(), &said, VIEWS);
                assert_eq!(found.board, board, "{name}");
            }
        }
    }
}

#[test]
fn a_coded_board_may_be_half_out_of_the_picture() {
    let rays = rays(&truth());
    for (columns, rows, turn_deg) in [(9, 6, 0.0), (8, 6, 90.0), (7, 7, 180.0)] {
        let board = board(Pattern::Coded, columns, rows);
        let show = Show { turn_deg, reach: 0.5, whole: false, ..WHOLE };
        let folder = stills(&board, &show, VIEWS, &rays);
        let said = Board { columns: 0, rows: 0, ..board };
        let found = gives_the_lens(&format!("{board}, half outside"), folder.path(), &said, VIEWS - 2);
        assert_eq!(found.board, board);
        let all = (columns * rows) as usize;
        let parts = found.views.iter().filter(|v| v.left_out.is_none() && v.corners.len() < all).count();
        println!("   {parts} views hold a part of the board");
        assert!(parts >= 6, "{parts}");
    }
}

#[test]
fn discs_in_shifted_rows_give_the_lens() {
    let rays = rays(&truth());
    for (columns, rows, turn_deg, disc) in
        [(4, 11, 0.0, 0.42), (4, 11, 90.0, 0.3), (5, 9, 180.0, 0.42), (4, 10, -90.0, 0.42)]
    {
        let board = board(Pattern::Circles, columns, rows);
        let folder = stills(&board, &Show { turn_deg, disc, ..WHOLE }, VIEWS, &rays);
        let name = format!("{board}, turned {turn_deg}, discs of {disc}");
        gives_the_lens(&name, folder.path(), &board, VIEWS);
    }
}

#[test]
fn a_wrong_board_is_answered_soon_with_the_right_one() {
    let rays = rays(&truth());
    let chess = |columns, rows| board(Pattern::Chessboard, columns, rows);
    let circles = |columns, rows| board(Pattern::Circles, columns, rows);
    let coded = board(Pattern::Coded, 0, 0);
    for (shown, said, right) in [
        (chess(9, 7), chess(10, 8), chess(9, 7)),
        (chess(8, 6), chess(9, 6), chess(8, 6)),
        (chess(9, 6), chess(7, 9), chess(9, 6)),
        (circles(4, 11), circles(4, 9), circles(4, 11)),
        (circles(5, 9), chess(9, 6), circles(5, 9)),
        (chess(9, 6), coded, chess(9, 6)),
        (board(Pattern::Coded, 9, 6), chess(9, 6), coded),
        (board(Pattern::Coded, 8, 6), circles(4, 11), coded),
    ] {
        let folder = stills(&shown, &WHOLE, VIEWS, &rays);
        let began = Instant::now();
        let refused = calibrated(folder.path(), &said).map(|c| c.used_count()).unwrap_err();
        let took_s = began.elapsed().as_secs_f64();
        println!("{shown} said to be {said}: {took_s:.1} s: {refused}");
        assert!(matches!(refused, LensError::OtherBoard { seen, .. } if seen == right), "{refused}");
        assert!(took_s < 5.0, "{took_s}");
    }
}

#[test]
fn what_a_coded_board_says_outranks_what_was_said_of_it() {
    let shown = board(Pattern::Coded, 9, 6);
    let folder = stills(&shown, &NEAR, VIEWS, &rays(&truth()));
    let found = gives_the_lens("coded, said 7x5", folder.path(), &board(Pattern::Coded, 7, 5), VIEWS);
    assert_eq!(found.board, shown);
    assert!(found.warnings.iter().any(|w| w.what.contains("coded:9x6")), "{:?}", found.warnings);
}
