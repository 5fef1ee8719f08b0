#!/usr/bin/env bash
# Builds the pipeline's tests with the thread sanitizer and runs them but for the slow ones.
#
# Debian's oneTBB is not instrumented, so the sanitizer would take every hand-over from thread to
# thread for a race. Its source package is built with the sanitizer and stands in for it.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
root=$PWD
bash datasets/setup.sh tests
tbb=$root/build/onetbb
if [[ ! -e "$tbb/built" ]]; then
  rm -rf "$tbb"
  mkdir -p "$tbb/lists/partial" "$tbb/parts"
  # The machine's own sources, for source packages.
  for list in /etc/apt/sources.list.d/*.sources; do
    if [[ -e "$list" ]]; then
      sed 's/^Types: deb$/Types: deb-src/' "$list" >"$tbb/parts/$(basename "$list")"
    fi
  done
  if [[ -e /etc/apt/sources.list ]]; then
    sed -n 's/^deb /deb-src /p' /etc/apt/sources.list >"$tbb/parts/main.list"
  fi
  apt_options=(-qq -o Dir::Etc::sourcelist=/dev/null -o "Dir::Etc::sourceparts=$tbb/parts"
    -o "Dir::State::lists=$tbb/lists" -o APT::Sandbox::User=root)
  version=$(dpkg-query -W -f '${Version}' libtbb12)
  if ! (cd "$tbb" && apt-get "${apt_options[@]}" update >/dev/null 2>&1 &&
    apt-get "${apt_options[@]}" source --download-only "onetbb=$version" >/dev/null 2>&1 &&
    dpkg-source --no-check -x onetbb_*.dsc src >/dev/null 2>&1); then
    echo "SKIPPED: the source package of oneTBB can't be had here, and without it the thread" \
      "sanitizer can't judge."
    exit 0
  fi
  cmake -S "$tbb/src" -B "$tbb/build" -G Ninja -DTBB_TEST=OFF -DTBB_STRICT=OFF \
    -DTBB_SANITIZE=thread -DTBBMALLOC_BUILD=OFF -DTBB_EXAMPLES=OFF \
    -DCMAKE_BUILD_TYPE=RelWithDebInfo -DCMAKE_LIBRARY_OUTPUT_DIRECTORY="$tbb/lib" >/dev/null
  cmake --build "$tbb/build" --target tbb >/dev/null
  touch "$tbb/built"
fi

cmake --preset thread >/dev/null
cmake --build build/thread --target pipeline_tests
library=$(dirname "$(find "$tbb/build" "$tbb/lib" -name libtbb.so.12 2>/dev/null | head -1)")
export LD_LIBRARY_PATH=$library
export TSAN_OPTIONS=ignore_noninstrumented_modules=1:halt_on_error=1:exitcode=66:suppressions=$root/tests/thread_sanitizer.supp
# Address layout without randomness, as the sanitizer needs it. Tests that bound a run's memory or
# the seconds until it stops mean nothing here; the desk's HTTP library is not built for it; a process
# that is forked may start no thread under it.
setarch -R ctest --test-dir build/thread --output-on-failure --stop-on-failure -j "$(nproc)" \
  -R '^pipeline\.' -LE 'slow|page' -E 'Interruption|Desk|WorkspaceLockTest'
