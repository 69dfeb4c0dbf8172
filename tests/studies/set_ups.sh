#!/usr/bin/env bash
# Set-ups in simulation, without pictures. Three tables:
# 1. pairs of clips in which no wand is waved (glints, a board in a hand, walkers, a caster, a wand that hangs, two wands): scenes made;
# 2. wand clips of tripods 20 to 120 degrees apart, level and not, of 30, 60, 120 and 240 frames a second in any pair: solved within
#    three stated standard deviations, further off, refused;
# 3. takes after 8 still seconds beside the same takes without: how far figures move, in their standard deviations.
# Of 1., seeds 0 to 19 and 1000 to 1199 set the limits of the gate, 2000 and up check them. Usage: tests/studies/set_ups.sh [PAIRS] [SEEDS] [TAKES]
# (200 pairs and 1 seed of 120 cases: a quarter of an hour of a core each)
set -euo pipefail
cd "$(dirname "$0")/../.."
study() { cargo run --release --quiet -p tipwright-simulate --example coverage -- "$@"; }
study --no-wand --first 2000 --set-ups "${1:-200}"
study --wands --set-ups "${2:-1}"
study --still 8 --set-ups "${3:-4}"
