// SPDX-License-Identifier: GPL-3.0-or-later
// The page's TypeScript holds its types.

import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import test from 'node:test';
import { work } from './support.mjs';

test('the TypeScript compiler finds no fault', () => {
  const compiler = createRequire(join(work, 'package.json')).resolve('typescript/bin/tsc');
  const run = spawnSync(process.execPath, [compiler, '--noEmit', '-p', work], { encoding: 'utf8' });
  assert.equal(run.stdout, '');
  assert.equal(run.status, 0);
});
