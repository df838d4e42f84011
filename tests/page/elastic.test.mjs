// SPDX-License-Identifier: GPL-3.0-or-later
// The page of `withy elastic` in a real browser: both bodies, the switch between them, and a tip where the table has it.

import assert from 'node:assert/strict';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import test, { after, before } from 'node:test';
import { open, settle, shot, shown, startBrowser, withy } from './support.mjs';

const root = process.env.WITHY_SOURCE_DIR;
const scene = join(root, 'scenes', 'guide-narrow', 'scene.toml');
const folder = mkdtempSync(join(tmpdir(), 'withy-page-elastic-'));
let browser;

before(async () => {
  withy(root, 'plan', scene, '-o', folder, '--quiet', '--budget', '3000');
  withy(root, 'elastic', join(folder, 'plan.json'), scene, '-o', folder, '--quiet');
  browser = await startBrowser();
});

after(async () => {
  await browser?.close();
  rmSync(folder, { recursive: true });
});

test('the elastic body stands where the table has its tip, the ideal one beside it as an outline', async () => {
  const plan = JSON.parse(readFileSync(join(folder, 'plan.json'), 'utf8'));
  const elastic = JSON.parse(readFileSync(join(folder, 'elastic.json'), 'utf8'));
  const reached = plan.actions.filter((a) => a.leg === 'in').at(-1).to;
  const { page, complaints } = await open(browser, join(folder, 'elastic.html'));
  const label = page.locator('.label.of-elastic');
  assert.equal(await page.inputValue('#body'), '1');
  assert.ok((await page.locator('.legend').innerText()).includes('ideal body'));
  const drawn = [];
  for (const [choice, pulls] of [['1', 'ideal_pulls'], ['2', 'compensated_pulls']]) {
    await page.selectOption('#body', choice);
    await page.evaluate(() => document.activeElement.blur());
    await page.keyboard.press('g');
    await settle(page);
    const shift = elastic[pulls].states[reached].tip_shift_mm;
    assert.ok((await label.first().textContent()).includes(shown(shift, 'mm', 2)), `${await label.first().textContent()} against ${shift}`);
    drawn.push((await shot(page, `elastic-${pulls}`)).toString('base64'));
  }
  await page.selectOption('#body', '0');
  await settle(page);
  assert.equal(await label.count(), 0);
  drawn.push((await shot(page, 'elastic-none')).toString('base64'));
  assert.equal(new Set(drawn).size, 3);
  await page.close();
  assert.deepEqual(complaints, []);
});
