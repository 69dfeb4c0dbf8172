#!/usr/bin/env bash
# Can the intervals of a take be bet on that one camera alone shows? Per figure as coverage.sh prints it: the plane told by two other takes
# of the caster (own), by a take each of three other casters (of-others), or by a wand hung at two places before a single phone (hung).
# Usage: tests/studies/one_camera.sh [own|of-others|hung] [FIRST [SET-UPS]]     a set-up, 8 strokes, is up to a minute of a core (hung: a quarter)
#        Seeds 0 to 159 were looked at while it was written; those from 700 on check.
set -euo pipefail
cd "$(dirname "$0")/../.."
case "${1:-of-others}" in
own) plane=() ;;
of-others) plane=(--of-others) ;;
hung) plane=(--hung) ;;
*) sed -n '2,6s/^# //p' "$0" >&2 && exit 2 ;;
esac
exec cargo run --release --quiet --workspace --example coverage -- --one-camera "${plane[@]}" --first "${2:-700}" --set-ups "${3:-60}"
