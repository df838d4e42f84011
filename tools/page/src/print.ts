// SPDX-License-Identifier: GPL-3.0-or-later
// Paper has no clock: before printing, stills of the plan's turns take the place of the moving picture.

import { h } from './dom.ts';
import type { Clock, Track } from './playback.ts';
import { actionWords, lockCount } from './words.ts';
import type { Stage } from './view/stage.ts';

const kStills = 6;
/** A still's layout in px: half the page's width for one plan, all of it for several side by side. */
const kStillSize = { one: { width: 420, height: 270 }, many: { width: 840, height: 250 } };

/** Ends of actions on the way in, thinned to a page's worth, the tightest moment among them. */
function moments(track: Track): number[] {
  const inward = track.actions.map((a, k) => (a.leg === 'in' ? track.start[k + 1] : -1)).filter((t) => t >= 0);
  const tightest = track.tightestTime();
  const wanted = tightest === null ? kStills : kStills - 1;
  const step = Math.max(1, inward.length / wanted);
  const times = new Set<number>();
  for (let i = inward.length - 1; i >= 0 && times.size < wanted; i -= step) times.add(inward[Math.max(0, Math.round(i))]);
  if (tightest !== null) times.add(tightest);
  return [...times].sort((a, b) => a - b);
}

export function preparePrint(stage: Stage | null, tracks: Track[], clock: Clock, sheet: HTMLElement, light: (on: boolean) => void) {
  const leader = tracks.reduce((a, b) => (b.seconds > a.seconds ? b : a));
  const size = tracks.length > 1 ? kStillSize.many : kStillSize.one;
  const caption = (time: number) => {
    if (leader.actions.length === 0) return leader.entry.plan.approach?.state ? 'The nearest state that was found.' : 'The start: there is no plan to show.';
    const words = tracks.map((track) => {
      const action = track.actions[track.actionAt(Math.max(0, time - 1e-6))];
      const doing = action ? actionWords(track.entry, action) : 'no plan';
      return tracks.length > 1 ? `${lockCount(track.entry.plan.locks)}: ${doing}` : doing;
    });
    return `${time.toFixed(1)} s. ${words.join('. ')}`;
  };
  window.addEventListener('beforeprint', () => {
    light(true);
    if (!stage) return;
    clock.play(false);
    const at = clock.time;
    const times = leader.actions.length > 0 ? moments(leader) : [0];
    const stills = stage.forPaper(size.width, size.height, () =>
      times.map((time) => {
        stage.setTime(time);
        return h('figure', {}, stage.still(), h('figcaption', {}, caption(time)));
      }),
    );
    sheet.replaceChildren(...stills);
    stage.setTime(at);
  });
  window.addEventListener('afterprint', () => {
    sheet.replaceChildren();
    light(false);
  });
}
