#!/usr/bin/env python3
"""Prints a header with its plain comments made Doxygen's, for the API pages (api.cmake):

  // text before a declaration            -> /// text
  declaration;  // text behind it         -> declaration;  ///< text, with the lines that go on below
  the lines at the top of the file        -> the description of the file

Comments are plain text. What Doxygen would interpret is escaped; lines that are indented within a
comment, tables and formulas, keep their layout.
"""
import re
import sys

ALONE = re.compile(r"^(\s*)//( ?)(.*)$")
BEHIND = re.compile(r"^(.*[;,{}(].*?)(\s+)// (.*)$")


def escaped(text):
    return re.sub(r'([\\@&$#<>%"])', r"\\\1", text).replace("::", "\\::")


def block(lines, mark="///"):
    """Lines of one comment; those indented further become preformatted."""
    out, inside = [], False
    for indent, text in lines:
        laid_out = text.startswith("  ")
        if laid_out and not inside:
            out.append(f"{indent}{mark} \\code{{.unparsed}}")
        if inside and not laid_out:
            out.append(f"{indent}{mark} \\endcode")
        inside = laid_out
        out.append(f"{indent}{mark} {text if laid_out else escaped(text)}".rstrip())
    if inside:
        out.append(f"{lines[-1][0]}{mark} \\endcode")
    return out


def filtered(text):
    lines = text.split("\n")
    out, at, top = [], 0, True
    while at < len(lines):
        line = lines[at]
        if match := ALONE.match(line):
            comment = []
            while at < len(lines) and (match := ALONE.match(lines[at])):
                comment.append((match[1], match[3]))
                at += 1
            if not top:
                # A comment with nothing right below it belongs to no declaration.
                free = at < len(lines) and not lines[at].strip()
                out += [f"{i}// {t}" for i, t in comment] if free else block(comment)
            else:
                out += ["/// \\file", "///"] + block(comment)
            top = False
            continue
        if line.strip():
            top = False
        match = BEHIND.match(line)
        if match and "///" not in line and "://" not in line:
            column = line.index("// ")
            out.append(f"{match[1]}{match[2]}///< {escaped(match[3])}")
            at += 1
            # The text goes on in lines of their own, below its own column.
            while at < len(lines) and (more := ALONE.match(lines[at])):
                if len(more[1]) != column:
                    break
                out.append(f"{more[1]}///< {escaped(more[3])}")
                at += 1
            continue
        out.append(line)
        at += 1
    return "\n".join(out)


print(filtered(open(sys.argv[1], encoding="utf-8").read()), end="")
