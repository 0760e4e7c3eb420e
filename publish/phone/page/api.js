// The HTTP API, and the stream of events.

/** Trouble is an error for a person: what is wrong, and what to try. */
export class Trouble extends Error {
  constructor(status, what, remedy) {
    super(remedy ? `${sentence(what)} ${sentence(remedy)}` : sentence(what));
    this.status = status;
  }
}

/** sentence makes one of words. */
export const sentence = (s) => s && s.charAt(0).toUpperCase() + s.slice(1) + (/[.!?]$/.test(s) ? '' : '.');

/** ask calls the API; it gives the answer's JSON, or null if it has none. */
export async function ask(method, path, body) {
  let answer;
  try {
    answer = await fetch(`/api/v1/${path}`, {
      method,
      headers: body === undefined ? {} : { 'Content-Type': 'application/json' },
      body: body === undefined ? undefined : JSON.stringify(body),
      cache: 'no-store',
      signal: AbortSignal.timeout(8000),
    });
  } catch {
    throw new Trouble(0, 'no connection to the computer in the cab', 'try again when it is back');
  }
  const text = await answer.text().catch(() => '');
  let json = null;
  try { json = text ? JSON.parse(text) : null; } catch { /* an answer of somebody else's */ }
  if (answer.ok) return json;
  throw new Trouble(answer.status, json?.error?.what || `the computer refused (${answer.status})`, json?.error?.try);
}

/**
 * reader takes an event stream apart (WHATWG HTML, "Server-sent events"):
 * give it text as it comes.
 */
export function reader(event) {
  let rest = '';
  let name = '';
  let data = [];
  let afterCR = false;
  return (text) => {
    if (afterCR && text.startsWith('\n')) text = text.slice(1);
    afterCR = text.endsWith('\r');
    const lines = (rest + text).split(/\r\n|\r|\n/);
    rest = lines.pop();
    for (const line of lines) {
      if (line === '') {
        if (data.length) event(name || 'message', data.join('\n'));
        name = '';
        data = [];
        continue;
      }
      const colon = line.indexOf(':');
      const field = colon < 0 ? line : line.slice(0, colon);
      const value = colon < 0 ? '' : line.slice(colon + 1).replace(/^ /, '');
      if (field === 'event') name = value;
      if (field === 'data') data.push(value);
    }
  };
}

/** SILENT: with not a byte for so long, not even a heartbeat, there is no connection. */
export const SILENT = 10_000;

/**
 * listen keeps the stream open for ever. It reads by fetch and not by
 * EventSource, because that hides the heartbeats. on.heard tells of any bytes,
 * on.event of an event, on.lost of an end, on.refused that this phone is not
 * paired.
 */
export async function listen(on) {
  let again = 500;
  for (;;) {
    const stop = new AbortController();
    let last = performance.now();
    const watch = setInterval(() => { if (performance.now() - last > SILENT) stop.abort(); }, 1000);
    try {
      const answer = await fetch('/api/v1/stream', { headers: { Accept: 'text/event-stream' }, cache: 'no-store', signal: stop.signal });
      if (answer.status === 401) { on.refused(); return; }
      if (!answer.ok) throw new Error(`status ${answer.status}`);
      const from = answer.body.getReader();
      const text = new TextDecoder();
      const feed = reader((name, data) => {
        let value;
        try { value = JSON.parse(data); } catch { return; }
        on.event(name, value);
      });
      for (;;) {
        const { done, value } = await from.read();
        if (done) break;
        last = performance.now();
        again = 500;
        on.heard();
        feed(text.decode(value, { stream: true }));
      }
    } catch { /* tried again below */ } finally { clearInterval(watch); }
    on.lost();
    await new Promise((go) => {
      const on = () => { removeEventListener('online', on); go(); };
      addEventListener('online', on);
      setTimeout(on, again);
    });
    again = Math.min(again * 2, 4000);
  }
}
