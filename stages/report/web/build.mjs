// node build.mjs SOURCES NODE_MODULES OUT.cpp HEADER NAMESPACE: a page as a C++ string.
import { writeFileSync } from 'node:fs';
import { bundlePage, literal } from './bundle.mjs';

const [sources, modules, out, header, namespace] = process.argv.slice(2);
const { page, policy } = await bundlePage(sources, modules);
writeFileSync(
  out,
  `// Made by build.mjs from src/; do not edit.\n#include "${header}"\n\n` +
    `namespace ${namespace} {\n\nPage page() {\n` +
    `  static constexpr char kDocument[] =\n${literal(page)};\n` +
    `  return {{kDocument, sizeof kDocument - 1}, R"page(${policy})page"};\n}\n\n` +
    `}  // namespace ${namespace}\n`,
);
