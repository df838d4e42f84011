// SPDX-License-Identifier: GPL-3.0-or-later
// How often a second the driven body moves in the browser, measured: a key held down, then a slider dragged, for WITHY_LIVE_SECONDS each
// (5). Counts the desk's answers, the pictures drawn, and the processor time that page, its drawing process and program take for one.
// Passes or fails nothing:
//   WITHY_PROGRAM=build/withy WITHY_SOURCE_DIR=. WITHY_PAGE_WORK=build/tools/page/bundle WITHY_PAGE_OUT=build/page-shots node tests/page/drive_frames.mjs [SCENE]

import { cpSync, mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs';
import { cpus, tmpdir } from 'node:os';
import { basename, dirname, join } from 'node:path';
import { Bench, Watched } from './bench_browser.mjs';

const kSeconds = Number(process.env.WITHY_LIVE_SECONDS ?? 5);
/** Of the processor times in /proc, USER_HZ of Linux. */
const kTicks = 100;

/** Processor time of a process so far, s. */
function processor_s(pid) {
  try {
    const fields = readFileSync(`/proc/${pid}/stat`, 'utf8').replace(/^.*\) /, '').split(' ');
    return (Number(fields[11]) + Number(fields[12])) / kTicks;
  } catch {
    return 0;
  }
}

/** The browser's processes that matter: those that run pages, and the one that draws. */
function browserProcesses() {
  const found = { page: [], drawing: [] };
  for (const pid of readdirSync('/proc').filter((name) => /^\d+$/.test(name))) {
    let command = '';
    try {
      command = readFileSync(`/proc/${pid}/cmdline`, 'utf8');
    } catch {
      continue; // it has ended
    }
    if (/--type=renderer/.test(command)) found.page.push(pid);
    if (/--type=gpu-process/.test(command)) found.drawing.push(pid);
  }
  return found;
}

const sum = (pids) => pids.reduce((all, pid) => all + processor_s(pid), 0);

/** In the page: sets the slider, or holds the key, anew in every frame; what was counted. */
async function drive(page, how) {
  return page.evaluate(
    async ([by, seconds]) => {
      const count = (name) => Number(document.documentElement.dataset[name] ?? 0);
      const slider = document.querySelector('#insertion');
      const deck = document.querySelector('.deck');
      deck.focus();
      const began = performance.now();
      const before = { updates: count('updates'), drawn: count('drawn') };
      let frames = 0;
      let down = true;
      while (performance.now() - began < 1000 * seconds) {
        await new Promise(requestAnimationFrame);
        ++frames;
        if (Number(slider.value) > 60) down = false;
        if (Number(slider.value) < 5) down = true;
        if (by === 'key') deck.dispatchEvent(new KeyboardEvent('keydown', { key: down ? 'PageDown' : 'PageUp', bubbles: true, cancelable: true }));
        else {
          slider.value = String(32 + 28 * Math.sin((performance.now() - began) / 400));
          slider.dispatchEvent(new Event('input', { bubbles: true }));
        }
      }
      const took_s = (performance.now() - began) / 1000;
      return { took_s, frames, updates: count('updates') - before.updates, drawn: count('drawn') - before.drawn };
    },
    [how, kSeconds],
  );
}

const given = process.argv[2] ?? join(process.env.WITHY_SOURCE_DIR, 'scenes', 'double-bend', 'scene.toml');
const folder = mkdtempSync(join(tmpdir(), 'withy-frames-'));
cpSync(dirname(given), folder, { recursive: true });
const bench = new Bench(join(folder, basename(given)));
const browser = new Watched();
try {
  await bench.started;
  console.log(`${cpus()[0].model}, ${cpus().length} cores, 1280 x 720`);
  await browser.on(bench, async (page) => {
    // What is asked meanwhile would be counted in.
    await page.click('#cancel');
    await page.evaluate(() => new Promise((done) => setTimeout(done, 2000)));
    const { page: pages, drawing } = browserProcesses();
    for (const how of ['key', 'slider']) {
      const before = [sum(pages), sum(drawing), processor_s(bench.child.pid)];
      const { took_s, frames, updates, drawn } = await drive(page, how);
      const ms = [sum(pages), sum(drawing), processor_s(bench.child.pid)].map((s, i) => ((1000 * (s - before[i])) / Math.max(1, updates)).toFixed(1));
      console.log(`${how}: ${(updates / took_s).toFixed(1)} new places a second, ${(drawn / took_s).toFixed(1)} drawn, ${(frames / took_s).toFixed(1)} frames; processor ms each: page ${ms[0]}, drawing ${ms[1]}, program ${ms[2]}`);
    }
  });
} finally {
  await browser.end();
  await bench.stop();
  rmSync(folder, { recursive: true });
}
