// SPDX-License-Identifier: GPL-3.0-or-later
// Every shipped scene, planned and shown: the page loads without complaint, stays small, and puts the body where the plan
// file has its tips. And compared over the lock counts that its README tells of, each with its verdict.

import assert from 'node:assert/strict';
import { mkdtempSync, existsSync, readFileSync, readdirSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import test, { after, before } from 'node:test';
import { open, pageData, pageKinematics, settle, shot, startBrowser, tryWithy, withy } from './support.mjs';

const root = process.env.WITHY_SOURCE_DIR;
const scenes = existsSync(join(root, 'scenes'))
  ? readdirSync(join(root, 'scenes')).filter((name) => existsSync(join(root, 'scenes', name, 'scene.toml')))
  : [];
const folder = mkdtempSync(join(tmpdir(), 'withy-page-scenes-'));
const { Shape } = await pageKinematics();
let browser;

before(async () => {
  browser = await startBrowser();
});

after(async () => {
  await browser?.close();
  rmSync(folder, { recursive: true });
});

/** Tip in the scene frame, by the page's own reckoning. */
function tip({ scene }, design, state) {
  const regions = state.regions.map((r) => ({ ...r, u: r.curvature_per_mm }));
  const p = new Shape(design, { ...state, regions }).tip().p;
  const { R, p: origin } = scene.entry;
  return [0, 1, 2].map((i) => origin[i] + R[3 * i] * p[0] + R[3 * i + 1] * p[1] + R[3 * i + 2] * p[2]);
}

/** Verdict by lock count, from the table in a scene's README. */
function verdicts(name) {
  const readme = readFileSync(join(root, 'scenes', name, 'README.md'), 'utf8');
  return [...readme.matchAll(/^\|\s*(\d+)\s*\|\s*(reached|unreachable|undecided)\b/gm)].map(([, locks, verdict]) => ({ locks, verdict }));
}

test('there are scenes to show', () => assert.ok(scenes.length > 0));

for (const name of scenes)
  test(`the page of ${name}`, async () => {
    const planned = tryWithy(root, 'plan', join('scenes', name, 'scene.toml'), '-o', join(folder, name), '--quiet');
    assert.ok([0, 3, 4].includes(planned.status), planned.stderr);
    const html = join(folder, name, 'shown.html');
    withy(root, 'page', join(folder, name, 'plan.json'), '-o', html, '--quiet');
    assert.ok(statSync(html).size <= 5e6);
    const data = pageData(html);
    const plan = JSON.parse(readFileSync(join(folder, name, 'plan.json'), 'utf8'));
    for (const state of plan.states)
      tip(data, data.plans[0].design, state).forEach((c, i) => assert.ok(Math.abs(c - state.tip_mm[i]) < 1e-6, `${c} is not ${state.tip_mm[i]}`));
    for (const [k, { hunt, from }] of plan.actions.entries()) {
      const { t, swept_u } = data.plans[0].samples[k];
      assert.equal(swept_u !== undefined, hunt?.made === true);
      if (!swept_u) continue;
      assert.equal(swept_u.length, t.length);
      // The tip does swing: a slide of the hunt's size is some degrees of bend.
      const swung = structuredClone(plan.states[from]);
      swung.regions.at(-1).curvature_per_mm = swept_u[Math.floor(t.length / 2)];
      const at = tip(data, data.plans[0].design, swung);
      assert.ok(Math.hypot(...at.map((c, i) => c - plan.states[from].tip_mm[i])) > 0.1);
    }
    const { page, complaints } = await open(browser, html);
    assert.match(await page.innerText('#verdict'), new RegExp(`^${plan.verdict}`, 'i'));
    assert.ok((await page.innerText('#why')).toLowerCase().startsWith(plan.why.toLowerCase()));
    await shot(page, `scene-${name}`);
    if (plan.actions.length > 0) {
      await page.keyboard.press('t');
      await settle(page);
      await shot(page, `scene-${name}-tightest`);
    }
    await page.close();
    assert.deepEqual(complaints, []);
  });

for (const name of scenes)
  test(`the page that compares the lock counts of ${name}`, async () => {
    const rows = verdicts(name);
    assert.ok(rows.length > 0);
    const out = join(folder, `${name}-compared`);
    withy(root, 'compare', join('scenes', name, 'scene.toml'), '--locks', ...rows.map((row) => row.locks), '-o', out, '--quiet');
    const html = join(out, 'compare.html');
    assert.ok(statSync(html).size <= 5e6);
    const { page, complaints } = await open(browser, html);
    const shownRows = page.locator('#compare tbody tr');
    assert.equal(await shownRows.count(), rows.length);
    for (const [i, { locks, verdict }] of rows.entries()) {
      const row = await shownRows.nth(i).innerText();
      assert.match(row, new RegExp(`^${locks === '0' ? 'no' : locks} lock`));
      assert.match(row, new RegExp(verdict, 'i'));
    }
    await shot(page, `scene-${name}-compared`);
    await page.close();
    assert.deepEqual(complaints, []);
  });
