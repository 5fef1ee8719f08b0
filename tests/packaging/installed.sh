#!/usr/bin/env bash
# The installed program: `cmake --install` to a prefix that is then moved; presets, templates, man
# pages, completions and schemas are found there and nothing names a folder of this machine.
#   bash tests/packaging/installed.sh BUILD [FOLDER TO WORK IN]
set -euo pipefail
build=$(realpath "$1")
source=$(realpath "$(dirname "${BASH_SOURCE[0]}")/../..")
work=${2:-$(mktemp -d)}
rm -rf "$work"
mkdir -p "$work/anywhere"
work=$(realpath "$work")
fail() { echo "installed.sh: $1" >&2; exit 1; }

# Moved, into a path with a space. The program is reached through a link, as from ~/bin.
cmake --install "$build" --prefix "$work/first" >"$work/install.log"
mkdir "$work/moved here"
mv "$work/first" "$work/moved here/prefix"
prefix=$work/moved\ here/prefix
ln -s "$prefix/bin/trunnion" "$work/linked"
trunnion=$work/linked
cd "$work/anywhere"

presets=$(ls "$source"/config/presets/*.toml | wc -l)
found=$("$trunnion" plan --list-presets --json | grep -c '"name"') || true
[[ $found == "$presets" ]] || fail "$found of $presets presets were found"

"$trunnion" demo set --quiet --no-boards --rings 1 --stations 6 --width 240 --height 160
printf '\n[[output.template]]\nfile = "matrix"\nname = "poses.txt"\n' >>set/specimen/specimen.toml
"$trunnion" prepare set/specimen --quiet
[[ $(grep -c '^images/' set/specimen/prepared/poses.txt) == 6 ]] ||
  fail "the template that comes with trunnion gave no poses"

version=$("$trunnion" --version)
[[ $version == "trunnion "*$'\n'"built: "*$'\n'"with: "* ]] || fail "--version prints: $version"

for command in "" -plan -target -calibrate -calibrate-lens -calibrate-axis -check -prepare -report \
  -verify -demo; do
  [[ -s $prefix/share/man/man1/trunnion$command.1 ]] || fail "no man page trunnion$command.1"
done
for file in share/bash-completion/completions/trunnion share/zsh/site-functions/_trunnion \
  share/fish/vendor_completions.d/trunnion.fish share/trunnion/schemas/cameras.schema.json \
  share/doc/trunnion/README.md share/doc/trunnion/docs/workspace.md \
  share/doc/trunnion/docs/img/in-out.png share/doc/trunnion/docs/examples/CMakeLists.txt; do
  [[ -s $prefix/$file ]] || fail "$file is not installed"
done
# Every page that README and the pages link to is there.
python3 - "$prefix/share/doc/trunnion" <<'PY'
import re, sys
from pathlib import Path
root = Path(sys.argv[1])
dead = [f"{page.relative_to(root)}: {target}" for page in root.rglob("*.md")
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text())
        if not (page.parent / target).exists() and target not in ("DEVELOPERS.md", "../DEVELOPERS.md")]
sys.exit("installed.sh: dead links:\n" + "\n".join(dead) if dead else 0)
PY

# Assertions in machine code name their source file; packages are built without (CMakePresets.json).
if named=$(grep -rlIF -e "$source" -e "$build" "$prefix"); then
  fail "a folder of this machine is named in: $named"
fi

# Without its share folder the program says what is missing.
cp "$prefix/bin/trunnion" "$work/alone"
if said=$("$work/alone" plan --list-presets 2>&1); then
  [[ -d /usr/local/share/trunnion ]] || fail "presets are listed where there are none"
else
  [[ $said == *"/share/trunnion/presets contains no presets; "* ]] || fail "it says: $said"
fi
rm -rf "$work"
echo "installed.sh: the installed program works from a moved prefix"
