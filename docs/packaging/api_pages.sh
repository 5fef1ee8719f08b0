#!/bin/sh
# api_pages.sh DOXYGEN FOLDER: the API pages of FOLDER/Doxyfile in FOLDER/html, without scripts: the
# pages need none, and a package should bring no copy of somebody's library.
set -eu
rm -rf "$2/html"
"$1" "$2/Doxyfile"
rm -f "$2"/html/*.js
sed -i '/<script type="text\/javascript" src=/d' "$2"/html/*.html
