// What is known at this moment, and what follows from it. Nothing here touches
// the page, so that tests can ask it anything.

/** Data are old after so many ms without live values. */
export const OLD = 4000;
/** Without a byte for so long there is no connection. */
export const AWAY = 10_000;
/** A verdict stands on Now for so long. */
export const VERDICT = 90_000;

/** fresh is the state of a page that knows nothing. */
export const fresh = () => ({
  boot: null, version: null, heardAt: null, helloAt: null, live: null, liveAt: null,
  alerts: [], prompt: null, verdict: null, verdictAt: null, checks: [], trial: null, seen: new Set(),
});

/** take puts an event of the stream into the state. now is in ms. */
export function take(s, name, data, now) {
  switch (name) {
    case 'hello':
      // Another boot is another run of the program: nothing of the old one holds.
      if (s.boot !== data.boot) Object.assign(s, fresh(), { heardAt: now });
      s.boot = data.boot;
      s.helloAt = now;
      s.version = data.version;
      break;
    case 'live':
      s.live = data;
      s.liveAt = now;
      break;
    case 'alerts':
      s.alerts = data.map((a) => ({ ...a.event, acknowledged: Boolean(a.acknowledged) }));
      break;
    case 'prompt':
      s.prompt = data?.prompt ?? null;
      if (s.prompt) s.trial = null;
      break;
    case 'verdict': {
      const v = data?.verdict ?? null;
      if (v && s.verdict?.id !== data.id) {
        // At connect the newest comes along: that is no news. The run's own time
        // needs no date.
        const age = s.live ? s.live.uptime_ms - data.uptime_ms : Infinity;
        s.verdict = { ...v, id: data.id };
        s.verdictAt = now - Math.max(0, age);
        s.trial = null;
      }
      break;
    }
    case 'checks':
      s.checks = data.map((c) => c.check);
      break;
    default:
  }
}

/**
 * link is "live", "old", "away" or "new", and for how many ms nothing came.
 * now is in ms from the opening of the page.
 */
export function link(s, now) {
  if (s.heardAt === null) return now > AWAY ? { state: 'away', ms: now } : { state: 'new', ms: 0 };
  if (now - s.heardAt > AWAY) return { state: 'away', ms: now - s.heardAt };
  if (s.liveAt === null) return now - (s.helloAt ?? s.heardAt) > OLD ? { state: 'old', ms: now - s.helloAt, never: true } : { state: 'new', ms: 0 };
  if (now - s.liveAt > OLD) return { state: 'old', ms: now - s.liveAt };
  return { state: 'live', ms: 0 };
}

const UNDER_WAY = new Set(['cutting', 'turning', 'travelling']);

/** moving: only what a glance can do may be offered. */
export function moving(s) {
  if (!s.live) return false;
  const speed = s.live.signals?.ground_speed_kmh?.value;
  return speed > 1 || UNDER_WAY.has(s.live.activity);
}

const ORDER = { high: 0, medium: 1, low: 2 };

/** acknowledged: the operator knows of it, as urgent as it is. */
export const acknowledged = (s, a) => a.acknowledged || s.seen.has(a.id + a.priority);

/** ranked lists the alerts: not yet seen ones first, the most urgent first. */
export function ranked(s) {
  const key = (a) => (acknowledged(s, a) ? 10 : 0) + (ORDER[a.priority] ?? 2);
  return [...s.alerts].sort((a, b) => key(a) - key(b));
}

/** value is a signal's value and quality. */
export function value(s, name) {
  const r = s.live?.signals?.[name];
  return r ? { v: r.value, quality: r.quality } : { v: null, quality: 'missing' };
}
