// SPDX-License-Identifier: GPL-3.0-or-later
// A program under `withy live` and a browser page on it, for tests that must fail for a fault and never for a slow machine.
//
// Nothing is waited for less than kPatience. What a browser does for a test (a move of the mouse, a script, its own end) has no time
// limit of its own, and a browser that draws on the processor now and then stops answering for good. So a watch asks the page for a sign
// of life; where there is none for kSilence though the program answers, the browser is ended and the test starts again with another,
// once. A page that stops itself stops twice, and the test fails.

import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import http from 'node:http';
import { kPatience, program, startBrowserProcess } from './support.mjs';

/** ms. */
const kSilence = 120000;
const kBetweenSigns = 5000;
/** How many times slower the page's own processor time is to be, to find what only a slow machine shows; 1: as it is. */
const kSlower = Number(process.env.WITHY_PAGE_SLOWER ?? 1);
/** A program or browser that was told to end and has not by then is killed. */
const kEnd = 60000;
/** For each test of node:test: whatever its steps are, it ends. */
export const kTestLimit = { timeout: 1500000 };

const later = (ms, value) => new Promise((done) => setTimeout(done, ms, value).unref());

/** The program on a scene: its process, what it said, where it is. */
export class Bench {
  constructor(scene) {
    this.child = spawn(program, ['live', scene, '--quiet'], { stdio: ['ignore', 'pipe', 'pipe'] });
    this.said = '';
    this.ended = new Promise((done) => this.child.on('exit', (status, signal) => done({ status, signal })));
    // Both pipes are read to their ends: a program whose pipe is full waits.
    this.child.stderr.on('data', (data) => (this.said += data));
    this.started = new Promise((done, fail) => {
      this.child.stdout.on('data', (data) => {
        this.said += data;
        const found = this.said.match(/http:\/\/127\.0\.0\.1:\d+\/[0-9a-f]{32}\//);
        if (found) done((this.url = found[0]));
      });
      this.child.on('exit', () => fail(new Error(`withy live ended: ${this.said}`)));
    });
  }

  /** Ctrl-C; its exit status and signal. */
  async stop() {
    this.child.kill('SIGINT');
    const ended = await Promise.race([this.ended, later(kEnd, null)]);
    if (!ended) this.child.kill('SIGKILL');
    return ended ?? this.ended;
  }

  /** A request with a connection of its own, which nobody else can have closed meanwhile. */
  request(path, { method = 'POST', headers = {}, body = '{}' } = {}) {
    const { hostname, port } = new URL(this.url);
    return new Promise((done, fail) => {
      const options = { hostname, port, path, method, agent: false, headers: { 'Content-Type': 'application/json', ...headers }, setHost: !headers.Host };
      const request = http.request(options, (response) => {
        let text = '';
        response.setEncoding('utf8');
        response.on('data', (data) => (text += data));
        response.on('end', () => done({ status: response.statusCode, text }));
        response.on('error', fail);
      });
      request.setTimeout(kPatience, () => request.destroy(new Error(`no answer to ${path}`)));
      request.on('error', (error) => (['ECONNRESET', 'EPIPE'].includes(error.code) ? done({ status: 'closed', text: '' }) : fail(error)));
      request.end(method === 'GET' ? undefined : body);
    });
  }

  /** What the desk answers; a refusal is a failure. */
  async ask(name, body = {}) {
    const { status, text } = await this.request(`${new URL(this.url).pathname}api/${name}`, { body: JSON.stringify(body) });
    assert.equal(status, 200, `${name}: ${text}`);
    return JSON.parse(text);
  }
}

/** One browser with one page, which stays open from test to test. */
export class Watched {
  constructor(options = {}) {
    this.options = { viewport: { width: 1280, height: 720 }, colorScheme: 'light', ...options };
    this.complaints = [];
  }

  async start() {
    this.process = await startBrowserProcess();
    this.page = await this.process.browser.newPage(this.options);
    this.page.setDefaultTimeout(kPatience);
    if (kSlower > 1) await (await this.page.context().newCDPSession(this.page)).send('Emulation.setCPUThrottlingRate', { rate: kSlower });
    // Refusals (422) are answers; the browser calls them failed loads all the same.
    this.page.on('console', (m) => m.type() === 'error' && !/422/.test(m.text()) && this.complaints.push(m.text()));
    this.page.on('pageerror', (error) => this.complaints.push(String(error)));
    this.page.on('request', (request) => this.origin && !request.url().startsWith(this.origin) && !/^(data|blob):/.test(request.url()) && this.complaints.push(`asked for ${request.url()}`));
  }

  async goto(url) {
    this.origin = url;
    await this.page.goto(url);
    await this.page.waitForSelector('html[data-ready="yes"]', { state: 'attached' });
  }

  /** Goes to a page that is not the bench's; the next test goes back. */
  async leave(url) {
    this.origin = null;
    await this.page.goto(url);
  }

  /** 'silent' once the page has not answered for kSilence; `over` says that nobody wants to know any more. */
  async silence(over) {
    let heard = performance.now();
    while (!over()) {
      const sign = this.page.evaluate(() => 1).catch(() => 0);
      // A sign that comes late is one all the same.
      void sign.then((one) => one === 1 && (heard = performance.now()));
      await later(kBetweenSigns);
      if (!over() && performance.now() - heard > kSilence) return 'silent';
    }
    return 'over';
  }

  async end() {
    if (!this.process) return;
    await Promise.race([this.process.browser.close().catch(() => {}), later(kEnd / 4)]);
    this.process.kill();
    this.process = null;
  }

  /** Runs the steps on the bench's page, and asks that the page never complained and asked nobody else. */
  async on(bench, steps) {
    for (let turn = 1; ; ++turn) {
      if (!this.process) await this.start();
      let over = false;
      const run = (async () => {
        if (this.page.url() !== bench.url) await this.goto(bench.url);
        this.complaints.length = 0;
        await steps(this.page);
      })();
      run.catch(() => {}); // of a browser that was ended under it nobody asks
      const silent = this.silence(() => over);
      try {
        if ((await Promise.race([run.then(() => 'done'), silent])) !== 'silent') return assert.deepEqual(this.complaints, []);
      } catch (fault) {
        await this.end(); // the next test starts with a page that nothing went wrong on
        throw fault;
      } finally {
        over = true;
      }
      await bench.ask('scene');
      assert.ok(turn < 2, 'the page stopped answering, in two browsers');
      console.log('the browser stopped answering; the test starts again with another');
      await this.end();
    }
  }
}
