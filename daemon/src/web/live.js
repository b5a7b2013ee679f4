// Keeps a page live: puts changed pieces in place, counts how long ago things were, says when it
// is not live, and reads values under the finger.
'use strict';
// Words come with the page, so that this script speaks its language; gaps in capitals are filled here.
const said = document.getElementById('said').dataset;
const fill = (text, gaps) => text.replace(/\{([A-Z]+)\}/g, (gap, name) => gaps[name] ?? gap);
// The line over the page: whether it is live, and what waits on this device (kept.js).
const notice = (() => {
  const line = document.getElementById('not-live');
  const parts = { state: line.hidden ? '' : line.textContent, kept: '' };
  return {
    line,
    get state() { return parts.state; },
    say(part, words) {
      parts[part] = words;
      const text = [parts.state, parts.kept].filter(Boolean).join('. ');
      line.hidden = !text;
      if (line.textContent !== text) line.textContent = text;
    },
  };
})();
(() => {
  const live = document.querySelector('[data-live]');
  const root = document.documentElement.dataset;
  let serverNow = 0, heardAt = 0, source = null, wait = 1000, have = live ? live.dataset.have : '';

  const words = (seconds) => {
    const ahead = seconds < 0, s = Math.abs(seconds);
    if (s < 45) return ahead ? said.soon : said.now;
    const LENGTH = s < 5400 ? fill(said.minutes, { N: Math.floor((s + 30) / 60) })
      : s < 172800 ? fill(said.hours, { N: Math.floor((s + 1800) / 3600) }) : fill(said.days, { N: Math.floor((s + 43200) / 86400) });
    return fill(ahead ? said.ahead : said.ago, { LENGTH });
  };
  const ages = () => {
    if (!serverNow) return;
    // Time goes on while nothing is heard: what is old must not look new.
    const now = serverNow + (Date.now() - heardAt) / 1000;
    for (const el of document.querySelectorAll('[data-t]')) {
      const text = words(now - Number(el.dataset.t));
      el.textContent = el.tagName === 'SPAN' ? '(' + text + ')' : text;
    }
  };
  const clock = () => new Date(heardAt).toTimeString().slice(0, 5);
  const stale = () => {
    if (!root.known && Date.now() - heardAt > 30000) notice.say('state', fill(said.notLive, { TIME: clock() }));
    ages();
  };
  // A page from the store of this device is asked for anew once the monitor answers again. `online` is
  // no answer: a browser says it of a network that is there again for a moment, or of another one. Who
  // is on the way to another page is not taken back.
  let leaving = false;
  if (root.known) addEventListener('beforeunload', () => { leaving = true; setTimeout(() => { leaving = false; }, 8000); });
  const again = () => {
    const typed = [...document.querySelectorAll('form[method="post"] input, form[method="post"] textarea')].some((el) => el.type !== 'hidden' && el.type !== 'radio' && el.value !== el.defaultValue);
    if (root.known && !typed && !leaving) location.reload();
  };
  const askAgain = async () => {
    if (!root.known) return;
    try { await fetch('/health', { method: 'HEAD', cache: 'no-store', signal: AbortSignal.timeout(5000) }); } catch { return; }
    again();
  };
  // Pieces that somebody types in or reads in wait until that is over.
  const held = new Map();
  const put = (id, html) => {
    const el = document.getElementById(id);
    held.delete(id);
    if (!el) return;
    if (el.contains(document.activeElement) && document.activeElement.matches('input,select,textarea') || el.querySelector('details[open]')) { held.set(id, html); return; }
    // Written by this server with every name escaped; scripts in it would not run anyway.
    const parsed = new DOMParser().parseFromString('<body>' + html, 'text/html');
    const focused = el.contains(document.activeElement) && document.activeElement.getAttribute('href');
    el.replaceChildren(...parsed.body.childNodes);
    if (focused) { const again = el.querySelector('[href="' + CSS.escape(focused) + '"]'); if (again) again.focus(); }
  };
  const patch = (data) => { const cut = data.indexOf(' '); put(data.slice(0, cut), data.slice(cut + 1)); };
  const mark = (yes) => { document.documentElement.dataset.live = yes ? 'yes' : 'no'; };
  const open = () => {
    if (!live || source) return;
    source = new EventSource(live.dataset.live + '&have=' + (held.size ? '' : have));
    const alive = () => {
      if (root.known) { again(); return; }
      const wasSilent = document.documentElement.dataset.live !== 'yes';
      mark(true); heardAt = Date.now(); wait = 1000;
      notice.say('state', '');
      if (wasSilent) dispatchEvent(new Event('monitor'));
    };
    source.addEventListener('patch', (e) => { alive(); have = ''; patch(e.data); });
    source.addEventListener('beat', (e) => {
      alive();
      const [seconds, version] = e.data.split(' ');
      if (version) have = version;
      for (const [id, html] of [...held]) put(id, html);
      serverNow = Number(seconds);
      ages();
    });
    source.onerror = () => {
      source.close(); source = null; mark(false);
      setTimeout(open, wait);
      wait = Math.min(wait * 2, 30000);
    };
  };
  // A page kept on this device says when it was taken from the monitor, by the monitor's clock and
  // by that of the device.
  if (root.known) { const [taken, here] = root.known.split(' ').map(Number); serverNow = taken; heardAt = here; ages(); }
  addEventListener('online', askAgain);
  if (live) {
    if (!root.known) heardAt = Date.now();
    open();
    setInterval(stale, 5000);
    addEventListener('online', open);
    document.addEventListener('visibilitychange', () => {
      if (document.hidden) { if (source) { source.close(); source = null; } mark(false); } else { stale(); open(); }
    });
  }

  // Values under the finger or pointer: read from the line that is drawn.
  for (const chart of document.querySelectorAll('svg.chart[data-plot]')) {
    const line = chart.querySelector('path.line');
    if (!line) continue;
    // Steps from the first place on.
    let px = 0, py = 0;
    const points = [...line.getAttribute('d').matchAll(/[Mml](-?[\d.]+) ?(-?[\d.]+)/g)].map((m) => [px += Number(m[1]), py += Number(m[2])]);
    const out = document.createElement('p');
    out.className = 'chart-value small';
    chart.after(out);
    const [x0, x1, y0, y1, width] = chart.dataset.plot.split(' ').map(Number);
    const cross = document.createElementNS('http://www.w3.org/2000/svg', 'line');
    cross.setAttribute('class', 'cross'); cross.setAttribute('y1', y0); cross.setAttribute('y2', y1);
    const show = (event) => {
      const box = chart.getBoundingClientRect(), x = (event.clientX - box.left) / box.width * width;
      let best = points[0];
      for (const p of points) if (Math.abs(p[0] - x) < Math.abs(best[0] - x)) best = p;
      if (!best || Math.abs(best[0] - x) > 12) { out.textContent = said.noReading; cross.remove(); return; }
      const d = chart.dataset, share = (y1 - best[1]) / (y1 - y0);
      const value = Number(d.low) + share * (Number(d.high) - Number(d.low));
      const at = new Date(Number(d.from) + (best[0] - x0) / (x1 - x0) * (d.to - d.from));
      cross.setAttribute('x1', best[0]); cross.setAttribute('x2', best[0]);
      chart.append(cross);
      out.textContent = value.toFixed(1) + ' ' + d.unit + ', ' + at.toLocaleString([], { timeZone: d.zone, weekday: 'short', day: 'numeric', month: 'short', hour: '2-digit', minute: '2-digit' }) + ' ';
      const half = Math.max((d.to - d.from) / 8000, 1800), middle = at.getTime() / 1000, closer = document.createElement('a');
      closer.className = 'button'; closer.textContent = said.closer;
      closer.href = '?from=' + Math.round(middle - half) + '&to=' + Math.round(middle + half) + '#h-water';
      out.append(closer);
    };
    chart.addEventListener('pointermove', show);
    chart.addEventListener('pointerdown', show);
  }
  if ('serviceWorker' in navigator && isSecureContext) navigator.serviceWorker.register('/worker.js');
})();
