#!/usr/bin/env bash
# A release for other machines of this kind: the program for any processor, its licence, the changes of its files, and the licences of all it
# is built from. Usage: pipelines/release.sh DIR     writes DIR/tipwright-VERSION-TARGET.tar.gz and its sha256
# With TIPWRIGHT_BUILT=1 it packs the program that is built already.
set -euo pipefail
out=$(realpath -m "${1:?where to: pipelines/release.sh DIR}")
cd "$(dirname "$0")/.."
# what one machine's processor can, others may not
if grep -qs 'target-cpu' .cargo/config.toml ../.cargo/config.toml "${CARGO_HOME:-$HOME/.cargo}/config.toml" || [[ "${RUSTFLAGS:-}${CARGO_ENCODED_RUSTFLAGS:-}" == *target-cpu* ]]; then
  echo "the build is set for one processor (target-cpu in RUSTFLAGS or a cargo config.toml): take that out for a release" >&2
  exit 1
fi
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --locked --quiet --bin tipwright
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
version=$("$target/release/tipwright" --version | awk '{ print $2 }' | tr -d ,)
name=tipwright-$version-$(rustc -vV | sed -n 's/^host: //p')
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir "$work/$name"
strip -o "$work/$name/tipwright" "$target/release/tipwright"
cp LICENSE README.md "$work/$name/"
cp pipelines/CHANGELOG.md "$work/$name/CHANGELOG.md"
.venv/bin/python -c 'import license_expression' 2>/dev/null || { [ -x .venv/bin/python ] || python3 -m venv .venv; .venv/bin/pip install --quiet license-expression; }
.venv/bin/python tests/reference/licences.py --list >"$work/$name/LICENCES.txt"
mkdir -p "$out"
tar -C "$work" --sort=name --owner=0 --group=0 -czf "$out/$name.tar.gz" "$name"
(cd "$out" && sha256sum "$name.tar.gz" >"$name.tar.gz.sha256")
echo "$out/$name.tar.gz"
