// Keeps a page live: puts changed pieces in place, counts how long ago things were, says when it
// is not live, reads values under the finger, and keeps entries while the network is gone.
'use strict';
(() => {
  const live = document.querySelector('[data-live]');
  const notLive = document.getElementById('not-live');
  let serverNow = 0, heardAt = 0, source = null, wait = 1000, have = live ? live.dataset.have : '';

  const words = (seconds) => {
    const ahead = seconds < 0, s = Math.abs(seconds);
    if (s < 45) return ahead ? 'in a moment' : 'just now';
    const n = s < 5400 ? Math.floor((s + 30) / 60) + ' min'
      : s < 172800 ? Math.floor((s + 1800) / 3600) + ' h' : Math.floor((s + 43200) / 86400) + ' days';
    return ahead ? 'in ' + n : n + ' ago';
  };
  const ages = () => {
    if (!serverNow) return;
    for (const el of document.querySelectorAll('[data-t]')) {
      const text = words(serverNow - Number(el.dataset.t));
      el.textContent = el.tagName === 'SPAN' ? '(' + text + ')' : text;
    }
  };
  const clock = () => new Date(heardAt).toTimeString().slice(0, 5);
  const say = (text) => { notLive.hidden = !text; if (notLive.textContent !== text) notLive.textContent = text; };
  const stale = () => {
    if (heardAt && Date.now() - heardAt > 30000) say('Not live since ' + clock() + ': what you see is the last that was known');
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
    const alive = () => { mark(true); heardAt = Date.now(); wait = 1000; if (notLive.textContent.startsWith('Not live')) { say(''); showKept(); } };
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
  if (live) {
    heardAt = Date.now();
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
    const points = [...line.getAttribute('d').matchAll(/[ML]([\d.]+) ([\d.]+)/g)].map((m) => [Number(m[1]), Number(m[2])]);
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
      if (!best || Math.abs(best[0] - x) > 12) { out.textContent = 'no reading here'; cross.remove(); return; }
      const d = chart.dataset, share = (y1 - best[1]) / (y1 - y0);
      const value = Number(d.low) + share * (Number(d.high) - Number(d.low));
      const at = new Date(Number(d.from) + (best[0] - x0) / (x1 - x0) * (d.to - d.from));
      cross.setAttribute('x1', best[0]); cross.setAttribute('x2', best[0]);
      chart.append(cross);
      out.textContent = value.toFixed(1) + ' ' + d.unit + ', ' + at.toLocaleString([], { timeZone: d.zone, weekday: 'short', day: 'numeric', month: 'short', hour: '2-digit', minute: '2-digit' }) + ' ';
      const half = Math.max((d.to - d.from) / 8000, 1800), middle = at.getTime() / 1000, closer = document.createElement('a');
      closer.className = 'button'; closer.textContent = 'Closer';
      closer.href = '?from=' + Math.round(middle - half) + '&to=' + Math.round(middle + half) + '#h-water';
      out.append(closer);
    };
    chart.addEventListener('pointermove', show);
    chart.addEventListener('pointerdown', show);
  }

  // Entries made while the network is gone are kept and sent once it is back. Each carries its own
  // id, so that sending twice makes one entry; the time is fixed at the moment of pressing. Never
  // kept: forms with a PIN or a password. What is refused stays until somebody has seen it.
  const kept = () => JSON.parse(localStorage.getItem('kept-entries') || '[]');
  const keep = (list) => localStorage.setItem('kept-entries', JSON.stringify(list));
  const short = (entry) => Object.entries(entry.fields).filter(([name, value]) => value && !['id', 'word', 'units', 'back', 'when'].includes(name))
    .map(([name, value]) => name + ' ' + value).join(', ');
  const showKept = (why) => {
    const all = kept(), refused = all.find((entry) => entry.refused), n = all.length;
    if (refused) say('Refused: ' + refused.path.split('/').pop() + ' (' + short(refused) + '). Make it again, then touch here.');
    else if (n) say(n + (n === 1 ? ' entry waits' : ' entries wait') + ' on this device: ' + (why || 'no network'));
    else if (notLive.textContent.includes('on this device')) say('');
  };
  notLive.addEventListener('click', () => {
    const first = kept().find((entry) => entry.refused);
    if (!first) return;
    keep(kept().filter((other) => other.fields.id !== first.fields.id));
    say(''); showKept();
  });
  const local = (date) => {
    const parts = Object.fromEntries(new Intl.DateTimeFormat('en-CA', { timeZone: document.documentElement.dataset.zone, hourCycle: 'h23', year: 'numeric', month: '2-digit', day: '2-digit', hour: '2-digit', minute: '2-digit' }).formatToParts(date).map((part) => [part.type, part.value]));
    return parts.year + '-' + parts.month + '-' + parts.day + 'T' + parts.hour + ':' + parts.minute;
  };
  const send = async () => {
    const word = document.querySelector('[name="word"]');
    for (const entry of kept().filter((one) => !one.refused)) {
      const fields = { ...entry.fields, ...(word ? { word: word.value } : {}) };
      let answer;
      try { answer = await fetch(entry.path, { method: 'POST', body: new URLSearchParams(fields), redirect: 'manual' }); } catch { break; }
      if (answer.type === 'opaqueredirect' || answer.ok) keep(kept().filter((other) => other.fields.id !== entry.fields.id));
      else if (answer.status === 422) keep(kept().map((other) => other.fields.id === entry.fields.id ? { ...other, refused: true } : other));
      else { showKept(answer.status < 500 ? 'sign in to send them' : 'the monitor is busy'); return; }
    }
    showKept();
  };
  document.addEventListener('submit', (event) => {
    const form = event.target;
    if (form.dataset.sent) { event.preventDefault(); return; }
    if (form.matches('form[data-entry]') && !navigator.onLine && !form.querySelector('[name="pin"],[name="password"]')) {
      event.preventDefault();
      const fields = Object.fromEntries(new FormData(form));
      for (const radio of form.querySelectorAll('.when input:checked')) {
        const back = { now: 0, '1h': 1, '3h': 3 }[radio.value];
        if (back !== undefined) fields[radio.name] = 'at:' + local(new Date(Date.now() - back * 3600000));
      }
      keep([...kept().slice(-99), { path: new URL(form.action).pathname, fields }]);
      const drawer = form.closest('details'); if (drawer) drawer.open = false;
      showKept();
      return;
    }
    form.dataset.sent = '1';
    setTimeout(() => delete form.dataset.sent, 3000);
  });
  addEventListener('online', send);
  showKept();
  if (navigator.onLine) send();
  if ('serviceWorker' in navigator && isSecureContext) navigator.serviceWorker.register('/worker.js');
})();
