// What the pages of report and desk share in their build: sources become one script and one style,
// put into an HTML document that becomes a string in the program.
import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';

async function bundle(modules, file) {
  const { build } = createRequire(join(modules, 'any.js'))('esbuild');
  const result = await build({
    entryPoints: [file],
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

// A script may run because its hash stands in the page's security policy; nothing else may.
const csp = (text) => `'sha256-${createHash('sha256').update(text, 'utf8').digest('base64')}'`;

// The document, and the sources that its policy has to allow.
export async function bundlePage(sources, modules) {
  const script = await bundle(modules, join(sources, 'main.js'));
  const style = await bundle(modules, join(sources, 'page.css'));
  if (/<\/script|<!--/i.test(script) || /<\/style/i.test(style)) {
    throw new Error('the bundle holds a tag that would end its element');
  }
  const page = readFileSync(join(sources, 'index.html'), 'utf8')
    .replace('@@SCRIPT-HASH@@', () => csp(script))
    .replace('@@STYLE-HASH@@', () => csp(style))
    .replace('@@STYLE@@', () => style)
    .replace('@@SCRIPT@@', () => script);
  return { page, policy: `script-src ${csp(script)}; style-src ${csp(style)}` };
}

// Compilers limit the length of one literal; adjacent ones join.
export function literal(text) {
  if (text.includes(')page"')) throw new Error('the page holds the end mark of its string');
  return text.match(/[\s\S]{1,12000}/g).map((piece) => `    R"page(${piece})page"`).join('\n');
}
