//! Memory that one thread gave back serves the others. In a program of its own: what other tests hold would be counted too.
#![cfg(all(target_os = "linux", target_env = "gnu"))]

use std::sync::Barrier;

const THREADS: usize = 8;
const BLOCKS: usize = 512;
const BLOCK_BYTES: usize = 64 << 10;

fn resident_mb() -> Option<usize> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:"))?;
    Some(line.trim().trim_end_matches(" kB").parse::<usize>().ok()? / 1024)
}

#[test]
fn what_a_thread_freed_serves_the_next() {
    tipwright_footage::memory::share_one_pool();
    let before = resident_mb().unwrap();
    let (turn, end) = (Barrier::new(THREADS), Barrier::new(THREADS + 1));
    std::thread::scope(|scope| {
        for mine in 0..THREADS {
            let (turn, end) = (&turn, &end);
            scope.spawn(move || {
                let mut kept = Vec::new();
                for whose in 0..THREADS {
                    if whose == mine {
                        let blocks: Vec<Vec<u8>> = (0..BLOCKS).map(|_| vec![1; BLOCK_BYTES]).collect();
                        // what stays at the end of a pool keeps all before it
                        kept.push(vec![1u8; 4096]);
                        drop(blocks);
                    }
                    turn.wait();
                }
                end.wait();
            });
        }
        end.wait();
    });
    // 32 MB each, one after the other; the harness's own thread may have had a pool already.
    let more = resident_mb().unwrap().saturating_sub(before);
    assert!(more < 100, "{more} MB more, where each of {THREADS} threads needed 32 MB in its turn");
}
