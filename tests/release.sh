#!/usr/bin/env bash
# What is given to other machines: the packed release runs from where it was unpacked and lists the licences of all it is built from; the
# container's recipe copies what is there, and the packages it installs bring every library that the program asks for.
# Takes the program that is built (TIPWRIGHT_BUILT=1), otherwise builds it.
set -euo pipefail
cd "$(dirname "$0")/.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
fail() { echo "FAILED: $*" >&2; exit 1; }
packed=$(pipelines/release.sh "$work/out")
(cd "$work/out" && sha256sum --quiet -c -- *.sha256)
tar -C "$work" -xzf "$packed"
name=$(basename "$packed" .tar.gz)
"$work/$name/tipwright" new "$work/session" >/dev/null
[ -f "$work/session/session.toml" ] || fail "the packed program makes no session"
listed=$(grep -c ': ' "$work/$name/LICENCES.txt")
locked=$(awk '/^\[\[package\]\]/ { n++ } /^source = / { s++ } END { print s }' Cargo.lock)
[ "$listed" -ge "$((locked * 7 / 10))" ] || fail "$listed licences listed of $locked locked packages"
# one processor's own instructions would say so in what was compiled for it
RUSTFLAGS="-C target-cpu=native" pipelines/release.sh "$work/other" 2>/dev/null && fail "a build for one processor was packed"
echo "$name: $(stat -c %s "$packed") bytes, $listed licences"

recipe=pipelines/Containerfile
# sources of COPY from the project are there
sed -n 's/^COPY \([^-][^ ]*\) .*/\1/p' "$recipe" | while read -r from; do [ -e "$from" ] || fail "$recipe copies $from, which is not there"; done
grep -q '^RUN pipelines/install.sh ' "$recipe" || fail "$recipe does not install what pipelines/install.sh does"
for script in pipelines/install.sh pipelines/season/install.sh; do [ -x "$script" ] || fail "$script cannot be run"; done
# where this machine is of the recipe's distribution, its packages bring the libraries that the program asks for
codename=$(sed -n 's/^VERSION_CODENAME=//p' /etc/os-release)
if grep -q "^FROM debian:$codename-slim" "$recipe" && command -v apt-cache >/dev/null; then
  mapfile -t packages < <(awk '/^FROM debian/ { on = 1 } on' "$recipe" | sed -n '/apt-get install/,/&& rm/p' |
    tr ' ' '\n' | grep -E '^(lib|python3|util-linux)' | sort -u)
  [ "${#packages[@]}" -gt 5 ] || fail "$recipe: no packages read"
  apt-cache depends --recurse --no-recommends --no-suggests --no-conflicts --no-breaks --no-replaces --no-enhances "${packages[@]}" |
    grep '^[a-z]' | sort -u >"$work/brought"
  program=$(sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p' <(cargo metadata --format-version 1 --no-deps))/release/tipwright
  asked=0
  while read -r library; do
    file=$(ldd "$program" | awk -v l="$library" '$1 == l { print $3 }')
    [ -n "$file" ] || continue
    # by name: a library may be registered below /lib and lie below /usr/lib
    package=$(dpkg -S "*/$library" | grep -v -- '-dev:' | head -1 | cut -d: -f1)
    grep -qx "$package" "$work/brought" || fail "$recipe does not bring $package, whose $library the program asks for"
    asked=$((asked + 1))
  done < <(objdump -p "$program" | awk '/NEEDED/ { print $2 }')
  [ "$asked" -gt 5 ] || fail "only $asked libraries asked for"
  echo "$recipe: ${#packages[@]} packages bring all $asked libraries that the program asks for"
else
  echo "SKIPPED: the recipe's packages: this machine is no Debian of its kind" >&2
fi
