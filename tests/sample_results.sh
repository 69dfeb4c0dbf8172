#!/usr/bin/env bash
# Makes results folders to look at and to check: tests/sample_results.sh DIR
#   DIR/session, DIR/day   the smallest simulated day, measured, with film, compared, scored
#   DIR/nameless           the same day without names and pictures
#   DIR/failed, DIR/nothing   a day on which one of two takes failed, and one whose only take did
#   DIR/plan               what two cameras will be able to tell
#   DIR/feet, DIR/tip-only, DIR/sixty   made-up results: in feet, without butt markers, sixty strokes
#   DIR/six                made-up results of six casters: how high the day's page is
#   DIR/shifted            a made-up cast and copies of it of known shift, two together
#   DIR/season             made-up results of fifty evenings compared, 5000 strokes
set -euo pipefail
made=$1
cd "$(dirname "$0")/.."
exec >/dev/null
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --quiet --workspace --bins --example sample_results
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')/release
tipwright="$target/tipwright --quiet"
$tipwright simulate --days minimal --seed 1 -o "$made/session"
$tipwright day "$made/session" -o "$made/day" --film
$tipwright compare "$made/day" -o "$made/day/compare/casters" --by caster
$tipwright compare "$made/day" --strokes 01-before/1 01-before/3 -o "$made/day/compare/pair"
$tipwright score "$made/day" "$made/session/truth" -o "$made/day/score"
mkdir -p "$made/nameless"
cp -r "$made/day/"{kept,takes,lens,scene.toml} "$made/nameless/"
$tipwright day "$made/session" -o "$made/nameless" --anonymous
# a take whose clips show a wand that hangs still: nobody casts, so it fails (status 3)
clip() { sed -n "/^\[scene.plumb\]/,/^\[\[take/s/^$1 = \"\(.*\)\"/\1/p" "$made/session/session.toml"; }
for day in failed nothing; do
  mkdir -p "$made/$day-session" "$made/$day"
  cp -r "$made/session/." "$made/$day-session"
  [ "$day" = failed ] || sed -i '/^\[\[take\]\]/,$d' "$made/$day-session/session.toml"
  printf '\n[[take]]\nname = "02-still"\ncaster = "02"\n\n[take.clips]\neast = "%s"\nwest = "%s"\n' "$(clip east)" "$(clip west)" >> "$made/$day-session/session.toml"
  echo '02,Otter,right,,' >> "$made/$day-session/casters.csv"
  cp -r "$made/day/"{kept,takes,lens,scene.toml} "$made/$day/"
  ! $tipwright day "$made/$day-session" -o "$made/$day" 2>/dev/null
  $tipwright compare "$made/$day" -o "$made/$day/compare/casters" --by caster
done
$tipwright plan "$made/session" --camera west=-0.7,-8.3,1.3 --camera east=6.2,-5.6,1.6 -o "$made/plan"
"$target/examples/sample_results" "$made/feet" 2 --ft
"$target/examples/sample_results" "$made/tip-only" 1 --tip-only
"$target/examples/sample_results" "$made/sixty" 7
"$target/examples/sample_results" "$made/six" 12
"$target/examples/sample_results" "$made/shifted" --shifted
"$target/examples/sample_results" "$made/season" --season
