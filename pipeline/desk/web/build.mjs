// node build.mjs SOURCES NODE_MODULES OUT.cpp: the page of the desk as a C++ string.
import { writeFileSync } from 'node:fs';
import { bundlePage, literal } from '../../../stages/report/web/bundle.mjs';

const [sources, modules, out] = process.argv.slice(2);
const { page, policy } = await bundlePage(sources, modules);
writeFileSync(
  out,
  `// Made by build.mjs from src/; do not edit.\n#include "pipeline/desk/page.h"\n\n` +
    `namespace trunnion::desk {\n\nstd::string_view page() {\n` +
    `  static constexpr char kPage[] =\n${literal(page)};\n  return {kPage, sizeof kPage - 1};\n}\n\n` +
    `std::string_view page_policy() {\n  return R"page(${policy})page";\n}\n\n` +
    `}  // namespace trunnion::desk\n`,
);
