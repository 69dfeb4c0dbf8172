#!/usr/bin/env bash
# Memory of `day` with clips of MINUTES minutes of 160 x 90 pixels with sound, against clips of half that length.
# Usage: tests/studies/long_clip.sh [MINUTES]     Prints both; limit: 400 MB.
set -euo pipefail
cd "$(dirname "$0")/../.."
minutes=${1:-20}
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
tipwright=${TIPWRIGHT:-$target/release/tipwright}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
failed=0
for seconds in $((minutes * 30)) $((minutes * 60)); do
  mkdir -p "$work/session"
  for k in 1 2; do
    # a bright disc that goes to and fro over moving texture, and noise as sound
    ffmpeg -v error -y -f lavfi -i "testsrc2=size=160x90:rate=30:duration=$seconds" \
      -f lavfi -i "anoisesrc=amplitude=0.1:seed=$k:duration=$seconds" -c:v libx264 -preset ultrafast -pix_fmt yuv420p \
      -c:a aac -shortest "$work/session/$k.mp4"
  done
  for camera in west east; do
    printf 'resolution_px = [160, 90]\nfx_px = 130.0\nfy_px = 130.0\ncx_px = 79.5\ncy_px = 44.5\ndistortion = [0.0, 0.0, 0.0, 0.0, 0.0]\n' >"$work/session/$camera.toml"
  done
  cat >"$work/session/session.toml" <<TOML
schema = 1
title = "Long clips"
[wand]
length_m = 1.0
[rod]
length_m = 2.743
[marker.tip]
colour = "white"
diameter_mm = 40.0
[[camera]]
name = "west"
lens = "west.toml"
[[camera]]
name = "east"
lens = "east.toml"
[scene]
wand = { west = "1.mp4", east = "2.mp4" }
[[take]]
name = "long"
caster = "01"
clips = { west = "1.mp4", east = "2.mp4" }
TOML
  # nothing here can be solved: what counts is the memory of looking through and of the sound
  /usr/bin/time -f '%M %e' -o "$work/cost" "$tipwright" -q day "$work/session" -o "$work/results" >/dev/null 2>"$work/err" || true
  tail -1 "$work/cost" | awk -v s="$seconds" '{ printf "%d s of clip: %.0f MB, %.1f s\n", s, $1 / 1000, $2 }'
  [ "$(tail -1 "$work/cost" | awk '{ printf "%d", $1 / 1000 }')" -le 400 ] || failed=1
  rm -rf "$work/session" "$work/results"
done
[ "$failed" -eq 0 ] || { echo "more than 400 MB" >&2; exit 1; }
