// SPDX-License-Identifier: GPL-3.0-or-later
// What the page's tests share: where things are, a browser, a page under watch. Told by the environment:
//   WITHY_PROGRAM     the built program
//   WITHY_PAGE_WORK   the folder that the page was bundled in, with its node_modules
//   WITHY_PAGE_OUT    where screenshots go

import { execFileSync, spawnSync } from 'node:child_process';
import { existsSync, mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';

/** ctest's sign for "this could not be tried here". */
const kSkipped = 77;
/** No step of a browser is waited for less, ms: a test never fails for a busy machine. */
export const kPatience = 300000;

function told(name) {
  const value = process.env[name];
  if (!value) throw new Error(`${name} is not set`);
  return value;
}

export const program = told('WITHY_PROGRAM');
export const work = told('WITHY_PAGE_WORK');
export const out = told('WITHY_PAGE_OUT');
mkdirSync(out, { recursive: true });

if (existsSync(join(work, 'missing'))) {
  console.log(`skipped: ${readFileSync(join(work, 'missing'), 'utf8')}`);
  process.exit(kSkipped);
}

/** A package of the page's node_modules. */
const fromWork = createRequire(join(work, 'package.json'));

/** The page's own kinematics, bundled from its source. */
export const pageKinematics = () => pageModule('kinematics.ts');

/** One of the page's own modules, bundled from its source. */
export async function pageModule(file) {
  const esbuild = fromWork('esbuild');
  const built = await esbuild.build({ entryPoints: [join(work, 'src', file)], bundle: true, write: false, format: 'esm' });
  return import(`data:text/javascript;base64,${Buffer.from(built.outputFiles[0].text).toString('base64')}`);
}

export function withy(folder, ...args) {
  return execFileSync(program, args, { cwd: folder, encoding: 'utf8', stdio: ['ignore', 'pipe', 'pipe'] });
}

export function tryWithy(folder, ...args) {
  return spawnSync(program, args, { cwd: folder, encoding: 'utf8' });
}

/** The data that a page carries. */
export function pageData(file) {
  const text = readFileSync(file, 'utf8').match(/id="withy-data">([\s\S]*?)<\/script>/)[1];
  return JSON.parse(text);
}

const kBrowserFlags = [
  '--headless=new', '--no-sandbox', '--use-gl=angle', '--use-angle=swiftshader', '--enable-unsafe-swiftshader', '--disable-quic',
  '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync',
];

function installedBrowser() {
  const executablePath = ['/usr/bin/chromium', '/usr/bin/chromium-browser', '/usr/bin/google-chrome'].find(existsSync);
  if (!executablePath) throw new Error('no chromium is installed');
  return executablePath;
}

export async function startBrowser(...more) {
  const { chromium } = fromWork('playwright-core');
  return chromium.launch({ executablePath: installedBrowser(), args: [...kBrowserFlags, ...more], timeout: kPatience });
}

/** A browser that can be ended though it no longer answers. */
export async function startBrowserProcess() {
  const { chromium } = fromWork('playwright-core');
  const server = await chromium.launchServer({ executablePath: installedBrowser(), args: kBrowserFlags, timeout: kPatience });
  const browser = await chromium.connect(server.wsEndpoint(), { timeout: kPatience });
  return { browser, kill: () => void server.kill().catch(() => {}) };
}

/** Opens a page file and keeps a record of everything it complains of or asks the network for. */
export async function open(browser, file, options = {}) {
  const page = await browser.newPage({ viewport: { width: 1440, height: 900 }, colorScheme: 'light', ...options });
  const complaints = [];
  page.on('console', (message) => {
    if (['error', 'warning'].includes(message.type()) && !isDriverTalk(message.text())) complaints.push(message.text());
  });
  page.on('pageerror', (error) => complaints.push(String(error)));
  page.on('request', (request) => {
    const url = request.url();
    if (url !== pathToFileURL(file).href && !/^(data|blob):/.test(url)) complaints.push(`asked for ${url}`);
  });
  page.setDefaultTimeout(kPatience);
  await page.goto(pathToFileURL(file).href);
  await page.waitForSelector('html[data-ready="yes"]', { state: 'attached' });
  return { page, complaints };
}

/** What the software renderer says of reading pixels back is about this machine, not about the page. */
const isDriverTalk = (text) => /GPU stall due to ReadPixels|software WebGL|GL Driver Message/.test(text);

/** Waits until what was asked for has been laid out and drawn: three frames. */
export const settle = (page) =>
  page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => requestAnimationFrame(done)))));

export const shot = (page, name, options = {}) => page.screenshot({ path: join(out, `${name}.png`), ...options });

/** A number as the page writes it. */
export function shown(value, unit, digits) {
  const rounded = Number(value.toFixed(digits));
  return `${(rounded === 0 ? 0 : rounded).toFixed(digits).replace('-', '−')}\u00a0${unit}`;
}

/** The same without a unit. */
export const figure = (value, digits) => shown(value, '', digits).trimEnd();
