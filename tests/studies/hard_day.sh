#!/usr/bin/env bash
# A grey evening: sun in one picture, glints, people walking by, exposure left on automatic, one phone of 10-bit HEVC with
# uneven frames, one in slow motion with its tag, a small third one in slow motion without. Filmed, measured, scored, held to
# limits. Usage: tests/studies/hard_day.sh [FOLDER [SEED]]     (20 minutes of two cores, 1 GB)
set -euo pipefail
cd "$(dirname "$0")/../.."
folder=${1:-$(mktemp -d)/hard}
cargo build --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
tipwright="$target/release/tipwright"
[ -e "$folder/session/session.toml" ] || "$tipwright" simulate --days hard --seed "${2:-1}" -o "$folder/session"
"$tipwright" day "$folder/session" -o "$folder/results"
"$tipwright" score "$folder/results" "$folder/session/truth" -o "$folder/score"
python3 tests/day_limits.py hard < "$folder/score/score.json"
