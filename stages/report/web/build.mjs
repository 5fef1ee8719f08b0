// node build.mjs SOURCES NODE_MODULES OUT.cpp: bundles the page's script and style, puts both into
// index.html and writes the document as a C++ string.
import { createHash } from 'node:crypto';
import { readFileSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';

const [sources, modules, out] = process.argv.slice(2);
const { build } = createRequire(join(modules, 'any.js'))('esbuild');

async function bundle(entry) {
  const result = await build({
    entryPoints: [join(sources, entry)],
    bundle: true,
    minify: true,
    // A classic script: module scripts don't load from file://.
    format: 'iife',
    target: ['es2022', 'chrome110', 'firefox115', 'safari16.4'],
    nodePaths: [modules],
    legalComments: 'inline',
    charset: 'ascii',
    write: false,
    logLevel: 'warning',
  });
  return result.outputFiles[0].text.trim();
}

// The script may run because its hash stands in the page's security policy; nothing else may.
function csp(text) {
  return `'sha256-${createHash('sha256').update(text, 'utf8').digest('base64')}'`;
}

const script = await bundle('main.js');
const style = await bundle('page.css');
if (/<\/script|<!--/i.test(script) || /<\/style/i.test(style)) {
  throw new Error('the bundle holds a tag that would end its element');
}
const page = readFileSync(join(sources, 'index.html'), 'utf8')
  .replace('@@SCRIPT-HASH@@', () => csp(script))
  .replace('@@STYLE-HASH@@', () => csp(style))
  .replace('@@STYLE@@', () => style)
  .replace('@@SCRIPT@@', () => script);

// Compilers limit the length of one literal; adjacent ones join.
const pieces = page.match(/[\s\S]{1,12000}/g);
if (page.includes(')page"')) throw new Error('the page holds the end mark of its string');
const body = pieces.map((piece) => `    R"page(${piece})page"`).join('\n');
writeFileSync(
  out,
  `// Made by build.mjs from src/; do not edit.\n#include "stages/report/page.h"\n\n` +
    `namespace trunnion::report {\n\nstd::string_view page_template() {\n` +
    `  static constexpr char kPage[] =\n${body};\n  return {kPage, sizeof kPage - 1};\n}\n\n` +
    `}  // namespace trunnion::report\n`,
);
