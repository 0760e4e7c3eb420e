// The sentence: what a look of two seconds must tell. It is the first of these
// that holds. Alarms come with their own words.

import { ACTIVITY, RANK, SYMPTOM } from './words.js';
import { acknowledged, link, moving, ranked } from './state.js';
import { span } from './units.js';

/**
 * glance is {state, rank, text, detail, alert}: state names the shape and the
 * colour; alert is the alert that the sentence speaks of.
 */
export function glance(s, now) {
  const { state, ms, never } = link(s, now);
  if (state === 'new') return { state: 'unknown', text: 'Connecting' };
  if (state === 'away') return { state: 'away', text: 'No connection', detail: `for ${span(ms / 1000)}` };
  if (never) return { state: 'unknown', text: 'Machine not heard' };
  if (state === 'old') return { state: 'old', text: `No news: ${span(ms / 1000)}`, detail: 'What is shown is old' };

  const [top] = ranked(s);
  const unseen = top && !acknowledged(s, top) ? top : null;
  const doing = ACTIVITY[s.live.activity] ?? ACTIVITY.unknown;
  if (unseen && unseen.priority !== 'low') return { state: unseen.priority, rank: RANK[unseen.priority], text: unseen.text, alert: unseen };
  if (s.prompt) return { state: 'prompt', text: problem(s), detail: doing };
  if (unseen) return { state: 'low', rank: RANK.low, text: unseen.text, alert: unseen };
  if (top) return { state: 'seen', rank: 'Seen', text: top.text, detail: doing, top };
  return calm(s, doing);
}

/** problem is what the open prompt is about. */
function problem(s) {
  if (s.prompt.back) return 'The change did not help';
  if (s.prompt.symptom === 'spare-capacity' && s.live.fullness_pct !== null) return `Machine only ${s.live.fullness_pct} % full`;
  return SYMPTOM[s.prompt.symptom] ?? 'Something can be better';
}

/** deaf is why nothing is heard and what to look at, or nothing where frames come. */
export function deaf(bus) {
  switch (bus?.state) {
    case 'absent': return 'CAN adapter missing: plug it in';
    case 'down': return 'CAN is down: see chaffinch status';
    case 'refused': return 'CAN is not listen-only: see chaffinch status';
    default: return bus?.frames_per_s > 0 ? '' : 'Key off? Else check the plug';
  }
}

/** calm is for when nothing is wrong that can be seen. */
function calm(s, doing) {
  const { live } = s;
  if (!moving(s) && s.checks.length) return { state: 'prompt', text: 'A check is due', detail: doing };
  switch (live.activity) {
    case 'unknown': {
      const why = deaf(live.bus);
      return why ? { state: 'unknown', text: 'Machine not heard', detail: why } : { state: 'unknown', text: 'Activity not known' };
    }
    case 'cutting':
      // What is not known is not well.
      if (live.fullness_pct === null) return { state: 'unknown', text: 'No alarm, fullness not known', detail: doing };
      return { state: 'well', text: 'All well', detail: doing };
    case 'blocked':
      return { state: 'medium', rank: RANK.medium, text: 'Rotor stands: blocked' };
    case 'off':
      return { state: 'rest', text: doing };
    default:
      return { state: 'well', text: 'All well', detail: doing };
  }
}
