#!/usr/bin/env bash
# Installs what is missing to build trunnion on Debian 12; with "tests" also what tests it, with
# "package" what makes its Debian packages, with "fuzz" what fuzzes it, with "bench" what it is
# measured with and against.
# Asks nothing; uses sudo only where the user is not root and something is missing.
set -euo pipefail

build_packages=(
  g++ cmake ninja-build ccache git ca-certificates
  libopencv-dev libexiv2-dev libeigen3-dev libceres-dev libgoogle-glog-dev
  libtiff-dev libpng-dev libjpeg-dev
  libcli11-dev libtomlplusplus-dev nlohmann-json3-dev libkainjow-mustache-dev libfmt-dev
  libtbb-dev libsqlite3-dev libopenvdb-dev libboost-dev libcpp-httplib-dev libssl-dev libxxhash-dev
  libgtest-dev libgmock-dev zlib1g-dev
)
test_packages=(
  opencv-doc clang-format clang-tidy python3 universal-ctags
  # Readers that are not ours, for what trunnion writes.
  libimage-exiftool-perl assimp-utils python3-jsonschema python3-rdflib python3-tifffile chromium groff tmux
  libbenchmark-dev dpkg-dev valgrind
  # Shells that completions are for; a Debian without anything, for the packages.
  zsh fish lintian mmdebstrap
)
package_packages=(dpkg-dev file doxygen python3)

wanted=("${build_packages[@]}")
if [[ "${1:-}" == "tests" ]]; then wanted+=("${test_packages[@]}" "${package_packages[@]}"); fi
if [[ "${1:-}" == "package" ]]; then wanted+=("${package_packages[@]}"); fi
if [[ "${1:-}" == "fuzz" ]]; then wanted+=(clang libclang-rt-dev); fi
if [[ "${1:-}" == "bench" ]]; then
  wanted+=(libbenchmark-dev libgtest-dev libgmock-dev imagemagick libimage-exiftool-perl python3)
fi
# The report's page is bundled by npm; a machine may have it from elsewhere.
if ! command -v npm >/dev/null; then wanted+=(nodejs npm); fi

missing=()
for package in "${wanted[@]}"; do
  state=$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null || true)
  if [[ "$state" != "installed" ]]; then missing+=("$package"); fi
done
if [[ ${#missing[@]} -gt 0 ]]; then
  as_root=()
  if [[ $(id -u) -ne 0 ]]; then as_root=(sudo); fi
  echo "Installing ${#missing[@]} missing Debian packages: ${missing[*]}" >&2
  export DEBIAN_FRONTEND=noninteractive
  "${as_root[@]}" apt-get update -qq
  "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq \
    --no-install-recommends "${missing[@]}" >/dev/null
fi

# The glTF validator of the standard's own group comes from npm; its lock file fixes version and
# checksum. Without a network the test that needs it is skipped and says so.
if [[ "${1:-}" == "tests" ]]; then
  reference=$(dirname "${BASH_SOURCE[0]}")/../tests/reference
  if [[ "$reference/package-lock.json" -nt "$reference/node_modules/.package-lock.json" ]]; then
    npm ci --prefix "$reference" --prefer-offline --ignore-scripts --no-audit --no-fund \
      --loglevel=silent >/dev/null 2>&1 ||
      echo "gltf-validator could not be fetched by npm; its test will be skipped." >&2
  fi
fi
