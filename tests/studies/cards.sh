#!/usr/bin/env bash
# How cards are read: 400 moments of cards held up at 5 to 9 m, tilted to 45 degrees, in the light of the clinic and of the hard day, and
# every picture of a session's clips and of noise, in which there are none. Constants of the finder were set on seed 1; this is seed 2.
#     tests/studies/cards.sh SESSION [MOMENTS] [SEED]
set -euo pipefail
session=$(realpath "$1")
cd "$(dirname "$0")/../.."
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --workspace --release --examples
mapfile -t clips < <(find "$session" -name '*.mp4' -o -name '*.mov' | sort)
target/release/examples/cards "${2:-400}" --seed "${3:-2}" --empty "${clips[@]}"
