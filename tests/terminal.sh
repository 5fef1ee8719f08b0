#!/usr/bin/env bash
# What people see in a terminal: a faulty set prepared under tmux at 80 and 50 columns, with and
# without NO_COLOR, and into a pipe. Exit code 77 (skipped) where tmux is absent.
# bash tests/terminal.sh PROGRAM [FOLDER FOR THE SCREENS]
set -euo pipefail
export LC_ALL=C.UTF-8  # columns are characters, not bytes
program=$(realpath "$1")
command -v tmux >/dev/null || { echo "SKIPPED: tmux is absent; run: apt-get install tmux"; exit 77; }
work=$(mktemp -d)
socket=trunnion-test-$$
trap 'tmux -L "$socket" kill-server 2>/dev/null || true; rm -rf "$work"' EXIT
screens=${2:-$work/screens}
mkdir -p "$screens"
fail() { echo "terminal.sh: $1" >&2; exit 1; }

"$program" demo "$work/set" --quiet --no-boards --rings 1 --stations 8 --width 240 --height 160 --fault missing:2
cp "$work/set/truth/demo.calibration.json" "$work/set/setups/"
specimen=$work/set/specimen

# shot NAME COLUMNS ENVIRONMENT: runs prepare in a pane of that width, keeps the screen as text
# (wrapped lines joined, so that one wider than the pane shows) and with its colours.
shot() {
  rm -rf "$specimen/.trunnion" "$specimen/prepared" "$work/done"
  tmux -L "$socket" -f /dev/null new-session -d -x "$2" -y 60 \
    "env LC_ALL=C.UTF-8 TERM=screen-256color $3 '$program' prepare '$specimen'; echo \$? >'$work/done'; sleep 600"
  for _ in $(seq 1200); do [[ -e $work/done ]] && break; sleep 0.1; done
  [[ -e $work/done ]] || fail "$1: prepare did not end within two minutes"
  sleep 0.5
  tmux -L "$socket" capture-pane -p -J >"$screens/$1.txt"
  tmux -L "$socket" capture-pane -p -e >"$screens/$1.ansi"
  tmux -L "$socket" kill-server
  [[ $(cat "$work/done") == 1 ]] || fail "$1: a set with a missing station must end with exit code 1"
  sed -i 's/[[:space:]]*$//' "$screens/$1.txt"
  # Paths are never broken, so that they can be copied: only they may be wider than the pane.
  local line
  while IFS= read -r line; do
    if (( ${#line} > $2 )) && [[ $line != *"$work"* ]]; then fail "$1: wider than $2 columns: $line"; fi
  done <"$screens/$1.txt"
  grep -q "Not complete: mid 2 is missing" "$screens/$1.txt" || fail "$1: the verdict is not there"
  # Every stage's name, in the order of the run: a long note must not cover one.
  local names
  names=$(grep -oE "^[^ ]+ (ingest|survey|repair, mask, undistort|refine|mask confidence|annotate|export|hull|report) " "$screens/$1.txt" | sed "s,^[^ ]* ,," | tr -s ' ' | tr '\n' '|')
  [[ $names == "ingest |survey |repair, mask, undistort |refine |mask confidence |annotate |export |hull |report |" ]] ||
    fail "$1: the stages are not all there, in order: $names"
}
colour=$'\e\\[[0-9;]*3[0-9]'
for columns in 80 50; do
  shot "columns-$columns" "$columns" ""
  grep -aqE "$colour" "$screens/columns-$columns.ansi" || fail "no colour on a terminal"
  shot "columns-$columns-plain" "$columns" "NO_COLOR=1"
  if grep -aqE "$colour" "$screens/columns-$columns-plain.ansi"; then fail "colour in spite of NO_COLOR"; fi
done

rm -rf "$specimen/.trunnion" "$specimen/prepared"
"$program" prepare "$specimen" >"$screens/piped.out" 2>"$screens/piped.err" || true
if grep -q $'\e' "$screens/piped.out" "$screens/piped.err"; then fail "escape codes in a pipe"; fi
if grep -q $'\r' "$screens/piped.err"; then fail "lines redrawn in a pipe"; fi
grep -q "mid 2 is missing" "$screens/piped.out" || fail "piped: the verdict is not on stdout"
grep -q "ingest, done" "$screens/piped.err" || fail "piped: the stages are not on stderr"
echo "terminal.sh: 80 and 50 columns, NO_COLOR and a pipe are as they should be"
