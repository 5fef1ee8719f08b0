// node build.mjs SOURCES NODE_MODULES OUT.cpp: the page of a collection as a C++ string.
import { writeFileSync } from 'node:fs';
import { bundlePage, literal } from '../../../stages/report/web/bundle.mjs';

const [sources, modules, out] = process.argv.slice(2);
const { page } = await bundlePage(sources, modules);
writeFileSync(
  out,
  `// Made by build.mjs from src/; do not edit.\n#include "pipeline/collection/page.h"\n\n` +
    `namespace trunnion::collection {\n\nstd::string_view page_template() {\n` +
    `  static constexpr char kPage[] =\n${literal(page)};\n  return {kPage, sizeof kPage - 1};\n}\n\n` +
    `}  // namespace trunnion::collection\n`,
);
