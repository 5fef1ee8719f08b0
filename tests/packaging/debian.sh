#!/usr/bin/env bash
# The Debian packages: made twice they are the same bytes, lintian finds nothing, and in a bare root
# (Debian 12 without any of what trunnion needs) they install, upgrade and go again, with the demo
# made and prepared there by an ordinary user. Needs root, lintian, mmdebstrap and a Debian mirror;
# ends with 77, skipped, where one is missing.
#   bash tests/packaging/debian.sh BUILD [FOLDER TO WORK IN [full]]   full: the demo in its own size
set -euo pipefail
build=$(realpath "$1")
work=${2:-$(mktemp -d)}
size=${3:-small}
skip() { echo "SKIPPED: $1"; exit 77; }
fail() { echo "debian.sh: $1" >&2; exit 1; }
for tool in lintian mmdebstrap doxygen dpkg-shlibdeps unshare; do
  command -v $tool >/dev/null || skip "$tool is absent; run: bash datasets/setup.sh tests"
done
[[ $(id -u) == 0 ]] || skip "making a root for Debian and changing into it needs root"
root=$work/root
rm -rf "$work"/[!b]*
mkdir -p "$work/first" "$work/second" "$root"

cmake --build "$build" --target trunnion_api >"$work/api.log" 2>&1 || { tail "$work/api.log"; fail "no API pages"; }
for run in first second; do
  cpack --config "$build/CPackConfig.cmake" -B "$work/$run" >"$work/$run.log" 2>&1 ||
    { tail "$work/$run.log"; fail "cpack failed"; }
done
packages=("$work"/first/*.deb)
[[ ${#packages[@]} == 3 ]] || fail "${#packages[@]} packages instead of 3"
for package in "${packages[@]}"; do
  cmp "$package" "$work/second/$(basename "$package")" || fail "made twice, the bytes differ"
done
lintian --allow-root --fail-on error,warning "${packages[@]}" || fail "lintian finds faults"

# The bare root is kept for further runs.
bare=$work/bare.tar
if [[ ! -s $bare ]]; then
  mmdebstrap --variant=minbase --quiet bookworm "$work/bare.part.tar" >"$work/bare.log" 2>&1 ||
    skip "Debian's packages can't be reached: $(tail -1 "$work/bare.log")"
  mv "$work/bare.part.tar" "$bare"
fi
tar -C "$root" -xf "$bare"
cp /etc/resolv.conf "$root/etc/resolv.conf" 2>/dev/null || true
cp "${packages[@]}" "$root/tmp/"
# The next version, for the upgrade.
dpkg-deb -R "$work"/first/trunnion_*.deb "$work/next"
sed -i 's/^Version: .*/&+next/' "$work/next/DEBIAN/control"
dpkg-deb --root-owner-group -Zgzip -b "$work/next" "$root/tmp/next.deb" >/dev/null

# Own mounts and processes, so that nothing is left when it ends.
inside() {
  unshare --mount --pid --fork --mount-proc="$root/proc" chroot "$root" /usr/bin/env -i \
    PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive "$@"
}
install() { inside apt-get install -y -qq --no-install-recommends "$@" >>"$work/apt.log" 2>&1; }
inside apt-get update -qq >"$work/apt.log" 2>&1 || skip "the root reaches no Debian mirror"
inside sh -c 'find / -xdev | sort' >"$work/before"
began=$SECONDS
install "$(cd "$root" && ls ./tmp/trunnion_*.deb | sed 's,^\.,,')" ||
  { tail "$work/apt.log"; fail "the package does not install"; }
installed=$((SECONDS - began))
if inside sh -c 'command -v cc c++ g++ clang cmake node'; then fail "a compiler was installed"; fi

inside useradd --create-home worker
as_worker() { inside su worker -c "cd && $1"; }
demo="trunnion demo demo --prepare"
if [[ $size != full ]]; then
  demo+=" --quiet --no-boards --rings 1 --stations 6 --width 240 --height 160"
fi
began=$SECONDS
as_worker "$demo" || fail "the demo is not prepared"
prepared=$((SECONDS - began))
specimen=$root/home/worker/demo/specimen
for file in cameras.json report/index.html; do
  [[ -s $specimen/prepared/$file ]] || fail "the demo lacks $file"
done
stations=$(find "$specimen/fused" -name '*.tif' | wc -l)
for kind in images masks; do
  [[ $(find "$specimen/prepared/$kind" -type f | wc -l) == "$stations" ]] || fail "$kind are missing"
done
[[ $(as_worker "trunnion plan --list-presets" | wc -l) -gt 50 ]] || fail "presets are not found"

install /tmp/next.deb || fail "the package can't be upgraded"
as_worker "trunnion verify demo/specimen --quiet" || fail "after the upgrade the set is not verified"
inside sh -c 'dpkg-query -W -f="\${Version}" trunnion | grep -q next' || fail "it was not upgraded"
inside apt-get purge -y -qq trunnion >>"$work/apt.log" 2>&1 || fail "the package can't be removed"
left=$(inside sh -c 'find / -xdev -path /home -prune -o -path /tmp -prune -o -name "*trunnion*" -print' |
  grep -v -e '^/var/log' || true)
[[ -z $left ]] || fail "left behind: $left"
rm -rf "$root" "$work/next"
echo "debian.sh: installed in $installed s, the demo ($size) prepared in $prepared s, without a compiler"
