// Keeps the pages last seen, so that a phone without network shows the last known state, marked
// as such. Nothing that was typed goes through here.
'use strict';
const PAGES = 'nightjar-pages', FILES_KEPT = 'nightjar-files';
const FILES = ['{style}', '{script}'];
// In the language of the page, ready to stand in it.
const SAID = {words};
// Longest wait for the monitor before the last known page is shown: it may be out of reach while
// the phone believes in its network.
const PATIENCE = 6000;
self.addEventListener('install', (event) => {
  event.waitUntil(caches.open(FILES_KEPT).then((cache) => cache.addAll(FILES)).then(() => self.skipWaiting()));
});
self.addEventListener('activate', (event) => {
  event.waitUntil((async () => {
    const cache = await caches.open(FILES_KEPT);
    for (const request of await cache.keys()) if (!FILES.includes(new URL(request.url).pathname)) await cache.delete(request);
    await self.clients.claim();
  })());
});
const keepPage = async (key, answer) => {
  const headers = new Headers(answer.headers);
  headers.set('x-kept-at', String(Date.now()));
  await (await caches.open(PAGES)).put(key, new Response(await answer.blob(), { headers }));
};
const lastKnown = async (key) => {
  const kept = await (await caches.open(PAGES)).match(key);
  if (!kept) {
    const page = '<!doctype html><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>' + SAID.noNetwork + '</title><link rel="stylesheet" href="' + FILES[0] + '"><main><h1>' + SAID.noNetwork + '</h1><p>' + SAID.neverSeen + '</p><p><a class="button" href="/">' + SAID.toRack + '</a></p></main>';
    return new Response(page, { status: 503, headers: { 'content-type': 'text/html; charset=utf-8' } });
  }
  const taken = new Date(kept.headers.get('date')), here = Number(kept.headers.get('x-kept-at'));
  const mark = SAID.from.replace('{TIME}', new Date(here).toLocaleString([], { weekday: 'short', day: 'numeric', month: 'short', hour: '2-digit', minute: '2-digit' }));
  const body = (await kept.text())
    .replace('<html ', '<html data-known="' + taken.getTime() / 1000 + ' ' + here + '" ')
    .replace('<div id="not-live" role="status" hidden>', '<div id="not-live" role="status">' + mark);
  const policy = kept.headers.get('content-security-policy') || "default-src 'none'";
  return new Response(body, { headers: { 'content-type': 'text/html; charset=utf-8', 'content-security-policy': policy } });
};
self.addEventListener('fetch', (event) => {
  const { request } = event, url = new URL(request.url);
  if (request.method !== 'GET' || url.origin !== location.origin) return;
  if (url.pathname.startsWith('/a/')) {
    event.respondWith(caches.match(request).then((kept) => kept || fetch(request)));
  } else if (request.mode === 'navigate') {
    const key = url.origin + url.pathname;
    event.respondWith((async () => {
      try {
        const asked = fetch(request), late = new Promise((done) => setTimeout(done, PATIENCE));
        const early = await Promise.race([asked, late]);
        if (!early && await caches.match(key)) { asked.catch(() => {}); return lastKnown(key); }
        const answer = early || await asked;
        // A page that says "saved" or "signed in" is about a moment, not about the rack.
        if (answer.ok && !answer.redirected && url.pathname !== '/sign-in' && !url.searchParams.has('done')) event.waitUntil(keepPage(key, answer.clone()));
        return answer;
      } catch { return lastKnown(key); }
    })());
  }
});
