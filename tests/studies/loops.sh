#!/usr/bin/env bash
# How well loops are measured on simulated days with pictures, and what the finder adds to decoding.
# Usage: tests/studies/loops.sh SESSION [SESSION ...]     (folders made by `tipwright simulate`, truth inside)
# Limits: width within 30 mm or 5 % at the median, nose speed within 3 %, at least 75 % of a hard day's loops measured
# and under 3 % wrong, the finder at most 0.4 of the decoding's processor time; crossing twice told
# from once in 95 %, tail or none in 90 % of strokes whose tip dips by 10 mm and more (loop_tails, without a session).
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo build --release --quiet -p tipwright-simulate --example loop_truth --example loop_tails
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')/release/examples
for session in "$@"; do
  echo "== $session"
  /usr/bin/time -f %U -o /tmp/loops_decode.$$ "$target/loop_truth" "$session" "$session/truth" decode-only
  "$target/loop_truth" "$session" "$session/truth" | tee /tmp/loops_rows.$$ | tail -1
  awk -v decode="$(cat /tmp/loops_decode.$$)" '/gathering/ { for (i = 1; i < NF; i++) if ($i == "gathering") g += $(i + 1) }
    / for the figures/ { f += $2 } END { printf "gathering %.1f s and figures %.1f s against %.1f s of decoding: %.2f\n", g, f, decode, (g + f) / decode }' /tmp/loops_rows.$$
  rm -f /tmp/loops_decode.$$ /tmp/loops_rows.$$
done
echo "== shapes"
"$target/loop_tails"
