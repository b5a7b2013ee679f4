// Sends entries, and keeps them while the monitor does not answer. Each carries an id of its own, so
// that sending it twice makes one entry; its time is fixed at the moment of pressing. Never kept:
// forms with a PIN or a password. What is refused stays until somebody has seen it.
(() => {
  const PREFIX = 'kept-', MOST = 100, PATIENCE = 8000, EVERY = 20000;
  const root = document.documentElement.dataset;
  // One record an entry, so that two tabs do not overwrite each other's.
  const kept = () => Object.keys(localStorage).filter((key) => key.startsWith(PREFIX))
    .map((key) => JSON.parse(localStorage.getItem(key))).sort((a, b) => a.at - b.at);
  const keep = (entry) => {
    if (kept().length >= MOST) return false;
    try { localStorage.setItem(PREFIX + entry.id, JSON.stringify(entry)); return true; } catch { return false; }
  };
  const drop = (entry) => localStorage.removeItem(PREFIX + entry.id);
  const freshId = () => [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, '0')).join('');
  const short = (entry) => entry.fields.filter(([name, value]) => value && !['id', 'word', 'units', 'back', 'when'].includes(name) && !/-(day|hh|mm)$/.test(name))
    .map(([name, value]) => name + ' ' + value).join(', ');
  const show = (why) => {
    const all = kept(), refused = all.find((entry) => entry.refused), n = all.length;
    if (refused) notice.say('kept', fill(said.refused, { KIND: refused.path.split('/').pop(), FIELDS: short(refused) }));
    else notice.say('kept', n ? fill(n === 1 ? said.oneWaits : said.someWait, { N: n, WHY: why || said.noAnswer }) : '');
  };
  notice.line.addEventListener('click', () => {
    const first = kept().find((entry) => entry.refused);
    if (first) { drop(first); show(); }
  });
  // The answer says where to go, as words: a redirect could not be read.
  const post = (path, fields) => fetch(path, { method: 'POST', body: new URLSearchParams(fields), headers: { 'x-nightjar': 'script' }, signal: AbortSignal.timeout(PATIENCE) });

  // Led elsewhere: to sign in, where reading is not open. Then nothing was made.
  const made = (answer) => answer.ok && !answer.redirected;

  let sending = false;
  const send = async () => {
    if (sending) return;
    sending = true;
    let why;
    const word = document.querySelector('[name="word"]');
    for (const entry of kept().filter((one) => !one.refused)) {
      // Whoever is signed in now must not become the author of what another wrote.
      if (entry.who !== (root.who || '')) { why = fill(said.signInAs, { WHO: entry.who }); continue; }
      const fields = entry.fields.map(([name, value]) => [name, name === 'word' && word ? word.value : value]);
      let answer;
      try { answer = await post(entry.path, fields); } catch { why = ''; break; }
      if (made(answer)) drop(entry);
      else if (answer.status === 422) keep({ ...entry, refused: true });
      else { why = answer.status === 429 || answer.status >= 500 ? said.busy : said.signIn; break; }
    }
    sending = false;
    show(why);
  };

  const entryOf = (form) => {
    const fields = [...new FormData(form)];
    const relative = { now: 0, '1h': 1, '3h': 3 };
    const moments = new Set([...form.querySelectorAll('.when > label > input')].map((el) => el.name));
    const fixed = fields.map(([name, value]) => [name, moments.has(name) && value in relative ? 'at:' + new Date(Date.now() - relative[value] * 3600000).toISOString() : value]);
    return { now: fields, kept: { id: form.elements.namedItem('id').value, at: Date.now(), who: root.who || '', path: form.getAttribute('action'), fields: fixed } };
  };
  const put = async (form) => {
    const { now, kept: entry } = entryOf(form);
    // Written down before it is sent: a phone that dies or loses its way meanwhile has not lost it.
    if (!keep(entry)) { form.submit(); return; }
    let answer = null;
    const slow = setTimeout(() => notice.say('kept', said.sending), 700);
    try { answer = await post(entry.path, now); } catch { /* kept */ }
    clearTimeout(slow);
    if (answer && made(answer)) { drop(entry); location.assign(await answer.text()); return; }
    if (answer && !answer.ok && answer.status < 500 && answer.status !== 429) { drop(entry); form.submit(); return; }
    // The next entry of this form is another one.
    form.reset();
    form.elements.namedItem('id').value = freshId();
    delete form.dataset.sent;
    const drawer = form.closest('details'); if (drawer) drawer.open = false;
    show(answer && (answer.redirected ? said.signIn : said.busy));
  };
  document.addEventListener('submit', (event) => {
    const form = event.target;
    if (form.getAttribute('method') !== 'post') return;
    if (form.dataset.sent) { event.preventDefault(); return; }
    const secret = form.querySelector('[name="pin"],[name="password"]');
    if (form.matches('form[data-entry]') && !secret) {
      event.preventDefault();
      form.dataset.sent = '1';
      put(form);
      return;
    }
    if (!navigator.onLine) {
      event.preventDefault();
      notice.say('kept', said.notSent);
      return;
    }
    if (form.getAttribute('action') === '/sign-out' && 'caches' in window) caches.delete('nightjar-pages');
    form.dataset.sent = '1';
    setTimeout(() => delete form.dataset.sent, 3000);
  });
  // Forms of a page that was kept on this device have ids that may have been used.
  if (root.known) for (const id of document.querySelectorAll('form[data-entry] [name="id"]')) id.value = freshId();
  addEventListener('online', send);
  addEventListener('monitor', send);
  setInterval(() => { if (!document.hidden && kept().length) send(); }, EVERY);
  show();
  if (navigator.onLine && kept().length) send();
})();
