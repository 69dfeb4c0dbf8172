#!/usr/bin/env bash
# Installs what the build and the tests need on a fresh Debian or Ubuntu with Rust. Does nothing when it is there.
# `install.sh tests` also brings what only the tests need.
set -euo pipefail
build=(pkg-config clang libclang-dev libopencv-dev libavcodec-dev libavformat-dev libavutil-dev ffmpeg time python3)
tests=(opencv-doc chromium fonts-urw-base35 librsvg2-bin poppler-utils python3-venv nodejs npm)
wanted=("${build[@]}")
[ "${1:-}" = tests ] && wanted+=("${tests[@]}")
missing=()
for package in "${wanted[@]}"; do
  case $package in
    chromium) command -v chromium >/dev/null || command -v chromium-browser >/dev/null || missing+=("$package") ;;
    nodejs) command -v node >/dev/null || missing+=("$package") ;;
    npm) command -v npm >/dev/null || missing+=("$package") ;;
    python3-venv) python3 -c 'import ensurepip, venv' 2>/dev/null || missing+=("$package") ;;
    *) dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package") ;;
  esac
done
if [ ${#missing[@]} -gt 0 ]; then
  echo "installing: ${missing[*]}" >&2
  sudo=""
  [ "$(id -u)" -eq 0 ] || sudo=sudo
  $sudo apt-get update -qq
  DEBIAN_FRONTEND=noninteractive $sudo apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
fi
