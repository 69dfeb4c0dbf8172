#!/usr/bin/env bash
# A full disk and a folder that cannot be written: `day` ends with status 1 and one message, and what was there is as it was.
# Usage: tests/hostile_disk.sh SESSION     Needs user namespaces (unshare); says so and ends where there are none.
set -euo pipefail
cd "$(dirname "$0")/.."
session=$(cd "$1" && pwd)
if [ -z "${HOSTILE_DISK_INSIDE:-}" ]; then
  unshare -rm true 2>/dev/null || { echo "hostile disk: skipped, no user namespaces here"; exit 0; }
  [ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --quiet
  target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
  HOSTILE_DISK_INSIDE=${TIPWRIGHT:-$target/release/tipwright} exec unshare -rm "$0" "$session"
fi
tipwright=$HOSTILE_DISK_INSIDE
work=$(mktemp -d)
trap 'umount "$work"/* 2>/dev/null || true; rm -rf "$work"' EXIT
digests() { (cd "$1" && find . -type f ! -name '.*' -exec sha256sum {} + | sort -k2); }
fails() { # runs day into $1: status 1, one message with the words $2
  local status=0
  "$tipwright" -q day "$session" -o "$1" >"$work/day.out" 2>"$work/day.err" || status=$?
  local messages
  messages=$(grep -c '^tipwright: ' "$work/day.err" || true)
  if [ "$status" -ne 1 ] || [ "$messages" -ne 1 ] || ! grep -q "$2" "$work/day.err" || grep -q panicked "$work/day.err"; then
    echo "status $status, $messages messages:" >&2
    cat "$work/day.err" >&2
    exit 1
  fi
}
# a whole run says how much room a day takes
mkdir "$work/whole" && "$tipwright" -q day "$session" -o "$work/whole" >/dev/null 2>&1
room_kib=$(du -sk "$work/whole" | cut -f1)
full=0
for percent in 3 60; do
  mkdir "$work/full" && mount -t tmpfs -o size=$((room_kib * percent / 100))k tmpfs "$work/full"
  fails "$work/full" "cannot be written\|cannot be kept"
  # what was finished is whole, and with room the same command goes on to the end
  (cd "$work/full" && find . -type f ! -name '.*' ! -name run.json ! -name manifest.json) | while read -r file; do
    cmp -s "$work/full/$file" "$work/whole/$file" || { echo "not whole on a full disk: $file" >&2; exit 1; }
  done
  mount -o remount,size=$((room_kib * 3))k "$work/full"
  "$tipwright" -q day "$session" -o "$work/full" >/dev/null 2>&1
  diff <(digests "$work/full" | grep -v 'run.json\|manifest.json') <(digests "$work/whole" | grep -v 'run.json\|manifest.json')
  umount "$work/full" && rmdir "$work/full"
  full=$((full + 1))
done
before=$(digests "$work/whole")
mount --bind "$work/whole" "$work/whole" && mount -o remount,bind,ro "$work/whole"
fails "$work/whole" "cannot be written"
[ "$before" = "$(digests "$work/whole")" ] || { echo "a read-only folder changed" >&2; exit 1; }
umount "$work/whole"
echo "hostile disk: $full full disks and a read-only folder: status 1, one message, nothing lost, and the next run goes on"
