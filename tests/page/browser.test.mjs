// SPDX-License-Identifier: GPL-3.0-or-later
// The page in a real browser: every verdict and a comparison, played, scrubbed, keyed, resized, printed.

import assert from 'node:assert/strict';
import { mkdtempSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import test, { after, before } from 'node:test';
import { writeSamples } from './samples.mjs';
import { figure, open, pageData, settle, shot, shown, startBrowser, tryWithy, withy } from './support.mjs';

const folder = mkdtempSync(join(tmpdir(), 'withy-page-'));
const file = (name) => join(folder, `${name}.html`);
const plan = (name) => JSON.parse(readFileSync(join(folder, `${name}.json`), 'utf8'));
let browser;

before(async () => {
  writeSamples(folder);
  for (const name of ['reached', 'two', 'unreachable', 'undecided']) withy(folder, 'page', `${name}.json`, '-o', `${name}.html`, '--quiet');
  withy(folder, 'page', 'unreachable.json', 'reached.json', 'two.json', '-o', 'compare.html', '--quiet');
  withy(folder, 'page', 'undecided.json', 'reached.json', '-o', 'pair.html', '--quiet');
  browser = await startBrowser();
});

after(async () => {
  await browser?.close();
  rmSync(folder, { recursive: true });
});

/** Opens a sample's page, runs the steps, and asks that it never complained. */
async function on(name, steps, options) {
  const { page, complaints } = await open(browser, file(name), options);
  try {
    await steps(page);
    assert.deepEqual(complaints, []);
  } finally {
    await page.close();
  }
}

const time = async (page) => Number(await page.getAttribute('#time', 'aria-valuenow'));
const wholeTime = async (page) => Number(await page.getAttribute('#time', 'aria-valuemax'));

/** The figure named so beside the picture. */
const fact = (page, name) => page.locator('.now-cells div', { has: page.locator('dt', { hasText: new RegExp(`^${name}$`) }) }).locator('dd').innerText();

test('a reached plan shows its verdict, why, and the numbers of its file', async () => {
  const { summary, why, actions, states } = plan('reached');
  await on('reached', async (page) => {
    assert.equal(await page.innerText('#verdict'), 'Reached with 1 lock');
    assert.equal((await page.innerText('#why')).toLowerCase(), why.toLowerCase());
    const figures = await page.locator('.figures').innerText();
    for (const [value, unit, digits] of [
      [summary.clearance_mm, 'mm', 2], [summary.tip_error_mm, 'mm', 2], [summary.pull_max_mm, 'mm', 2],
      [summary.tension_max_N, 'N', 2], [summary.field_max_mT, 'mT', 1],
    ])
      assert.ok(figures.includes(shown(value, unit, digits)), `${shown(value, unit, digits)} in ${figures}`);
    const rows = page.locator('.action-table tbody tr');
    assert.equal(await rows.count(), actions.length);
    for (let k = 0; k < actions.length; ++k) {
      const row = await rows.nth(k).innerText();
      assert.ok(row.includes(shown(states[actions[k].to].insertion_mm, 'mm', 1)), row);
      if (actions[k].clearance_mm !== null) assert.ok(row.includes(shown(actions[k].clearance_mm, 'mm', 2)), row);
    }
    await shot(page, 'reached-light');
    await shot(page, 'reached-light-whole', { fullPage: true });
  });
});

test('stepping through a plan shows each state of its file', async () => {
  const { states, actions } = plan('two');
  await on('two', async (page) => {
    await page.keyboard.press('Home');
    assert.equal(await time(page), 0);
    for (let k = 0; k < actions.length; ++k) {
      await page.keyboard.press('ArrowRight');
      const state = states[actions[k].to];
      assert.equal(await fact(page, 'insertion'), shown(state.insertion_mm, 'mm', 1));
      for (let i = 0; i < state.locked.length; ++i)
        assert.equal(await fact(page, `lock ${i + 1}`), k + 1 < actions.length || !state.locked[i] ? (state.locked[i] ? '■ held' : '□ open') : '');
    }
    assert.ok(Math.abs((await time(page)) - (await wholeTime(page))) < 0.02);
    await page.keyboard.press('ArrowLeft');
    assert.ok((await time(page)) < (await wholeTime(page)));
  });
});

test('play goes on by itself, pause stops it, and a played plan ends at its end', async () => {
  await on('reached', async (page) => {
    await page.click('#play');
    await page.waitForFunction(() => Number(document.getElementById('time').getAttribute('aria-valuenow')) > 1);
    assert.equal(await page.innerText('#play'), 'Pause');
    await page.keyboard.press(' ');
    assert.equal(await page.innerText('#play'), 'Play');
    const paused = await time(page);
    await page.waitForTimeout(300);
    assert.equal(await time(page), paused);
    await page.selectOption('#speed', '50');
    await page.evaluate(() => document.activeElement.blur());
    await page.keyboard.press(' ');
    await page.waitForFunction(() => document.getElementById('play').textContent === 'Play');
    assert.ok(Math.abs((await time(page)) - (await wholeTime(page))) < 0.02);
  });
});

test('the time bar and the plots can be scrubbed, and a row of the table goes to its action', async () => {
  await on('reached', async (page) => {
    const bar = await page.locator('.hand-lane').boundingBox();
    await page.mouse.click(bar.x + 0.25 * bar.width, bar.y + 0.8 * bar.height);
    const whole = await wholeTime(page);
    assert.ok(Math.abs((await time(page)) - 0.25 * whole) < 0.01 * whole);
    await page.mouse.move(bar.x + 0.25 * bar.width, bar.y + 0.8 * bar.height);
    await page.mouse.down();
    await page.mouse.move(bar.x + 0.7 * bar.width, bar.y + 0.8 * bar.height, { steps: 4 });
    await page.mouse.up();
    assert.ok(Math.abs((await time(page)) - 0.7 * whole) < 0.01 * whole);
    const plot = await page.locator('.plot .u-over').first().boundingBox();
    await page.mouse.click(plot.x + 0.5 * plot.width, plot.y + 20);
    assert.ok(Math.abs((await time(page)) - 0.5 * whole) < 0.02 * whole);
    await page.locator('.action-table tbody tr').nth(2).click();
    assert.equal(await page.locator('.action-table tr.now td').first().innerText(), '3');
    await page.locator('.action-table tbody tr').nth(4).focus();
    await page.keyboard.press('Enter');
    assert.equal(await page.locator('.action-table tr.now td').first().innerText(), '5');
  });
});

test('the tightest spot is one click away, and is the least of all samples', async () => {
  const least = Math.min(...pageData(file('reached')).plans[0].samples.flatMap((s) => s.clearance_mm.filter((c) => c !== null)));
  await on('reached', async (page) => {
    await page.click('#tightest');
    assert.equal(await fact(page, 'gap now'), shown(least, 'mm', 2));
    await settle(page);
    await shot(page, 'reached-tightest');
  });
});

test('the picture moves with time, and cuts open in three ways', async () => {
  await on('reached', async (page) => {
    const stage = page.locator('.stage');
    const seen = new Set();
    const look = async () => {
      await settle(page);
      seen.add((await stage.screenshot()).toString('base64'));
    };
    await look();
    await page.keyboard.press('Home');
    await look();
    for (const id of ['#cut-glass', '#cut-section', '#cut-open']) await page.click(id);
    await page.keyboard.press('g');
    for (const key of ['c', 'c', ']', 'n', 'j', 'i', '+']) {
      await page.keyboard.press(key);
      await look();
    }
    // Two moments, glass, section, section moved, no names, turned twice, nearer: no two alike.
    assert.equal(seen.size, 9);
    await page.keyboard.press('f');
    await page.keyboard.press('n');
    await settle(page);
    await shot(page, 'reached-section');
  });
});

test('every key of the sheet is listed, and the sheet opens and closes', async () => {
  await on('reached', async (page) => {
    await page.keyboard.press('?');
    assert.ok(await page.locator('#keys').isVisible());
    assert.ok((await page.locator('#keys tr').count()) >= 20);
    await shot(page, 'keys');
    await page.keyboard.press('Escape');
    assert.ok(!(await page.locator('#keys').isVisible()));
  });
});

test('everything that can be pressed has a name, and can be reached with the tab key', async () => {
  await on('reached', async (page) => {
    const nameless = await page.$$eval('button, select, input, [role=slider]', (all) => all.filter((e) => !(e.textContent.trim() || e.getAttribute('aria-label'))).length);
    assert.equal(nameless, 0);
    const visited = new Set();
    for (let i = 0; i < 40; ++i) {
      await page.keyboard.press('Tab');
      visited.add(await page.evaluate(() => document.activeElement.id || document.activeElement.className));
    }
    for (const id of ['play', 'time', 'tightest', 'theme', 'cut-section']) assert.ok(visited.has(id), id);
  });
});

test('an unreachable page lists what would do; the others have no such list', async () => {
  await on('unreachable', async (page) => {
    assert.deepEqual(await page.locator('#remedies li').allInnerTexts(), ['It would be reached with 1 lock instead of 0.']);
  });
  await on('undecided', async (page) => assert.equal(await page.locator('#remedies').count(), 0));
});

test('unreachable and undecided pages say why, what was covered, and play nothing', async () => {
  for (const name of ['unreachable', 'undecided']) {
    const { why, proof, approach } = plan(name);
    await on(name, async (page) => {
      assert.match(await page.innerText('#verdict'), new RegExp(`^${name}`, 'i'));
      assert.equal((await page.innerText('#why')).toLowerCase(), why.toLowerCase());
      assert.equal(await page.locator('#play').count(), 0);
      assert.ok((await page.locator('.record').first().innerText()).includes(proof.cells_examined.toLocaleString('en')));
      if (approach) {
        const line = await page.innerText('.approach');
        assert.ok(line.includes(shown(approach.distance_mm, 'mm', 2)) && line.includes(approach.blocked_by), line);
        assert.equal(await fact(page, 'insertion'), shown(approach.state.insertion_mm, 'mm', 1));
      }
      await shot(page, name);
    });
  }
});

test('a comparison shows its plans side by side under one clock', async () => {
  await on('compare', async (page) => {
    const rows = page.locator('#compare tbody tr');
    assert.equal(await rows.count(), 3);
    for (const [i, name] of ['unreachable', 'reached', 'two'].entries()) {
      const { verdict, summary } = plan(name);
      const row = await rows.nth(i).innerText();
      assert.match(row, new RegExp(verdict, 'i'));
      if (summary) for (const value of [shown(summary.clearance_mm, 'mm', 2), figure(100 * summary.chance_to_fail_high, 2), figure(summary.reserve, 2)]) assert.ok(row.includes(value), row);
    }
    assert.equal(await page.locator('.pane').count(), 3);
    // Each count's why stands below the pictures.
    const panels = await page.locator('.nows > .now').allInnerTexts();
    for (const [i, name] of ['unreachable', 'reached', 'two'].entries()) assert.ok(panels[i].toLowerCase().includes(plan(name).why.toLowerCase()), panels[i]);
    assert.equal(await page.locator('.time-row').count(), 3);
    const hands = page.locator('.hand');
    assert.equal(await hands.count(), 1);
    await page.keyboard.press('Home');
    await page.keyboard.press('ArrowRight');
    // The nearest start of an action of either plan: one of them begins its second action, the other is still in its first.
    const now = await page.locator('.time-row .block.now').count();
    assert.equal(now, 2);
    await page.keyboard.press('g');
    await settle(page);
    await shot(page, 'compare-light');
    await page.keyboard.press('d');
    await settle(page);
    await shot(page, 'compare-dark');
  });
});

/** Pairs of names in the pictures that lie over one another. */
const overlapping = (page) =>
  page.$$eval('.pane', (panes) =>
    panes.flatMap((pane) => {
      const boxes = [...pane.querySelectorAll('.label, .scale-bar text, .pane-title')].map((e) => ({ text: e.textContent, ...e.getBoundingClientRect().toJSON() }));
      // A point of slack: the halo about a letter may touch its neighbour's.
      const over = (a, b) => a.left + 1 < b.right && b.left + 1 < a.right && a.top + 3 < b.bottom && b.top + 3 < a.bottom;
      return boxes.flatMap((a, i) => boxes.slice(i + 1).filter((b) => over(a, b)).map((b) => `${a.text} / ${b.text}`));
    }),
  );

test('on a small screen picture and player are seen together, no name lies over another, no column is cut', async () => {
  for (const name of ['reached', 'two', 'compare'])
    await on(
      name,
      async (page) => {
        const box = (what) => page.locator(what).evaluate((e) => e.getBoundingClientRect().toJSON());
        const [picture, player, stage] = [await box('.picture'), await box('.player'), await box('.stage')];
        assert.ok(picture.bottom <= player.top, name);
        assert.ok(stage.height > 220, `${name}: ${stage.height}`);
        if (name !== 'compare') assert.ok(player.bottom <= 720, `${name}: ${player.bottom}`);
        else assert.ok(await page.locator('.compare').evaluate((e) => e.scrollWidth <= e.clientWidth), 'a column is cut');
        for (const key of ['g', 's', 't']) {
          await page.keyboard.press(key);
          await settle(page);
          assert.deepEqual(await overlapping(page), [], `${name} after ${key}`);
        }
      },
      { viewport: { width: 1280, height: 720 } },
    );
});

test('a curve far below its limit is shown close up, the limit named at the edge and one press away', async () => {
  await on('reached', async (page) => {
    const button = page.getByRole('button', { name: 'Tendon pull: with its limits' });
    const ticks = () => page.locator('.plot', { has: button }).locator('canvas').evaluate((c) => c.toDataURL());
    assert.equal(await button.getAttribute('aria-pressed'), 'false');
    const close = await ticks();
    await button.click();
    assert.equal(await button.getAttribute('aria-pressed'), 'true');
    assert.notEqual(await ticks(), close);
  });
});

test('one moment has one value: the charts read what the plan has where the page opens, at the target', async () => {
  await on('reached', async (page) => {
    const { states, actions } = plan('reached');
    const at = states[actions.filter((a) => a.leg === 'in').at(-1).to];
    const read = (title) => page.locator('.plot', { has: page.getByRole('heading', { name: title }) }).locator('.plot-legend b').allInnerTexts();
    assert.deepEqual(await read('Insertion'), [figure(at.insertion_mm, 1)]);
    assert.deepEqual(await read('Tendon pull'), at.pull_mm.map((v) => figure(v, 2)));
    assert.deepEqual(await read('Tendon tension'), at.tension_N.map((v) => figure(v, 2)));
    assert.equal(await fact(page, 'insertion'), shown(at.insertion_mm, 'mm', 1));
    assert.equal(`${(await read('Clearance'))[0]}`, (await fact(page, 'gap now')).replace(/\u00a0mm$/, ''));
  });
});

test('a pane without a plan says how near it gets', async () => {
  await on('pair', async (page) => {
    const { distance_mm } = plan('undecided').approach;
    assert.equal(await page.innerText('.pane-title.undecided'), `no lock: undecided, nearest found: ${shown(distance_mm, 'mm', 1)} off`);
  });
});

test('dark or light follows the system, and the button turns it', async () => {
  await on(
    'two',
    async (page) => {
      assert.equal(await page.getAttribute('html', 'data-theme'), 'dark');
      await shot(page, 'two-dark-whole', { fullPage: true });
      await page.click('#theme');
      assert.equal(await page.getAttribute('html', 'data-theme'), 'light');
      await page.emulateMedia({ colorScheme: 'light' });
      await page.addStyleTag({ content: 'html { filter: grayscale(1); }' });
      await shot(page, 'two-grey');
    },
    { colorScheme: 'dark', bypassCSP: true },
  );
});

test('a narrow window loses nothing and never scrolls sideways', async () => {
  for (const name of ['two', 'compare', 'undecided'])
    await on(name, async (page) => {
      for (const width of [1000, 420]) {
        await page.setViewportSize({ width, height: 860 });
        await settle(page);
        const [wide, seen] = await page.evaluate(() => [document.documentElement.scrollWidth, window.innerWidth]);
        assert.ok(wide <= seen, `${name} at ${width}: ${wide} > ${seen}`);
        const canvas = await page.locator('.stage-canvas').boundingBox();
        assert.ok(canvas.width <= width && canvas.height >= 290, `${name} at ${width}`);
      }
      await shot(page, `${name}-narrow-whole`, { fullPage: true });
    });
});

test('on paper stills stand in for the moving picture', async () => {
  await on(
    'two',
    async (page) => {
      const picture = () => page.locator('.stage-canvas').evaluate((c) => [c.width, c.height, c.style.cssText, c.parentElement.style.cssText]);
      const before = await picture();
      await page.evaluate(() => window.dispatchEvent(new Event('beforeprint')));
      const stills = await page.locator('.stills figure').count();
      assert.ok(stills >= 3 && stills <= 6, String(stills));
      assert.equal(await page.getAttribute('html', 'data-theme'), 'light');
      await page.evaluate(() => window.dispatchEvent(new Event('afterprint')));
      assert.equal(await page.locator('.stills figure').count(), 0);
      assert.deepEqual(await picture(), before);
      assert.equal(await page.getAttribute('html', 'data-theme'), 'dark');
      const pdf = await page.pdf({ format: 'A4', printBackground: true });
      assert.equal(pdf.subarray(0, 5).toString(), '%PDF-');
      writeFileSync(join(process.env.WITHY_PAGE_OUT, 'two-print.pdf'), pdf);
    },
    { colorScheme: 'dark' },
  );
});

test('without WebGL everything but the picture is there', async () => {
  const plain = await startBrowser('--disable-gpu', '--disable-3d-apis');
  try {
    const { page } = await open(plain, file('reached'));
    assert.match(await page.innerText('.picture'), /no WebGL/);
    assert.equal(await page.innerText('#verdict'), 'Reached with 1 lock');
    await page.keyboard.press('ArrowRight');
    assert.ok((await page.locator('.plot').count()) >= 4);
  } finally {
    await plain.close();
  }
});

test('a page stays small', () => {
  for (const name of ['reached', 'compare']) assert.ok(statSync(file(name)).size < 5e6, name);
});

test('withy page refuses a plan whose scene or mesh has changed, or that is for another scene', () => {
  const scene = readFileSync(join(folder, 'scene.toml'), 'utf8');
  const refused = (...args) => {
    const run = tryWithy(folder, 'page', ...args, '-o', 'refused.html', '--quiet');
    assert.equal(run.status, 2, run.stderr);
    assert.equal(run.stderr.trim().split('\n').length, 1);
    assert.throws(() => statSync(file('refused')));
    return run.stderr;
  };
  writeFileSync(join(folder, 'scene.toml'), scene.replace('tolerance_mm = 1.5', 'tolerance_mm = 1.4'));
  assert.match(refused('reached.json'), /reached\.json:\d+:\d+: .*scene.*changed/);
  writeFileSync(join(folder, 'scene.toml'), scene);
  const mesh = readFileSync(join(folder, 'chamber.off'), 'utf8');
  writeFileSync(join(folder, 'chamber.off'), `${mesh}\n`);
  assert.match(refused('reached.json'), /reached\.json:\d+:\d+: .*mesh.*changed/);
  writeFileSync(join(folder, 'chamber.off'), mesh);
});
