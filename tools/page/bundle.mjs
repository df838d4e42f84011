// SPDX-License-Identifier: GPL-3.0-or-later
// Bundles the page: node bundle.mjs OUT. The result is the page whole but for its title and data: as HTML, or, when OUT
// ends in .cpp, as the source file that planner/show/page_bundle.h declares.

import { build } from 'esbuild';
import { readFile, writeFile } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const here = dirname(fileURLToPath(import.meta.url));
const out = process.argv[2];
if (!out) {
  console.error('usage: node bundle.mjs OUT.cpp|OUT.html');
  process.exit(2);
}

async function bundle(entry) {
  const result = await build({
    entryPoints: [join(here, entry)],
    bundle: true,
    minify: true,
    charset: 'ascii',
    write: false,
    format: 'esm',
    target: 'es2021',
    // Licence notices of the libraries stay in the page.
    legalComments: 'inline',
    logLevel: 'error',
  });
  return result.outputFiles[0].text;
}

/** A page whole but for its title and data. */
async function whole(entry, sheet, frame) {
  const [script, style, page] = await Promise.all([bundle(entry), bundle(sheet), readFile(join(here, frame), 'utf8')]);
  if (/<\/script/i.test(script) || /<\/style/i.test(style)) throw new Error('the bundle would close its own element');
  // Functions, since a replacement string would read "$&" in the bundle as a pattern.
  return page.replace('%STYLE%', () => style).replace('%SCRIPT%', () => script);
}

const html = await whole('src/main.ts', 'src/page.css', 'page.html');
if (!out.endsWith('.cpp')) await writeFile(out, html);
else await writeFile(out, cppSource({ kPageBundle: html, kLiveBundle: await whole('src/live/main.ts', 'src/live/live.css', 'live.html') }));

/** Texts as raw string literals, short enough for any compiler. */
function cppSource(texts) {
  const kDelimiter = 'withy';
  const literals = Object.entries(texts).map(([name, text]) => {
    if (text.includes(`)${kDelimiter}"`)) throw new Error('the bundle would close its own string literal');
    const pieces = [];
    for (let at = 0; at < text.length; at += 16000) pieces.push(`R"${kDelimiter}(${text.slice(at, at + 16000)})${kDelimiter}"`);
    return `const std::string_view ${name} =\n${pieces.join('\n')};\n`;
  });
  return `// Written by the build from tools/page.
#include "planner/show/page_bundle.h"
namespace withy {
${literals.join('')}const std::string_view kPageBundleFault;
}  // namespace withy
`;
}
