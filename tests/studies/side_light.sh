#!/usr/bin/env bash
# What balls lit from one side cost, and such as are not even: days with small pictures (markers of 4 px) under a sun 30 to 80 degrees
# round, and none.
# Usage: [BALLS="even seamed translucent muddy"] tests/studies/side_light.sh WORK [SEED ...]
# prints the tip path (turn and shift taken out), how many figures lie inside, and a few of each day.
# Seeds 41 to 46 were looked at while the model was made, 101 set what small balls are moved by.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$1
shift
cargo build --release --quiet --workspace --bins
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')/release
mkdir -p "$work"
sides=(30 55 80)
for seed in "${@:-51}"; do
  for balls in ${BALLS:-even}; do for side in "${sides[@]}" none; do
    day="$work/$seed-$balls-$side"
    [ "$side" = none ] && light=() || light=(--side-light "$side")
    "$target/tipwright" simulate --days minimal --seed "$seed" --balls "$balls" "${light[@]}" -o "$day" > /dev/null
    "$target/tipwright" day "$day" -o "$day-results" > "$day.log" 2>&1 || echo "seed $seed, $balls, $side: did not run through, see $day.log"
    echo "== seed $seed, $balls balls, light $side degrees round"
    "$target/tipwright" score "$day-results" "$day/truth" -o "$day-score" | grep -E "^tip path:|^figure |^(t_rsp_s|dip_depth_m|straightness) "
  done; done
done
