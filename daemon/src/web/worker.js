// Keeps the pages last seen, so that a phone without network shows the last known state, marked
// as such. Nothing that was typed goes through here.
'use strict';
const NAME = 'nightjar-1';
const FILES = ['{style}', '{script}'];
self.addEventListener('install', (event) => {
  event.waitUntil(caches.open(NAME).then((cache) => cache.addAll(FILES)).then(() => self.skipWaiting()));
});
self.addEventListener('activate', (event) => {
  event.waitUntil((async () => {
    const cache = await caches.open(NAME);
    for (const request of await cache.keys()) {
      const path = new URL(request.url).pathname;
      if (path.startsWith('/a/') && !FILES.includes(path)) await cache.delete(request);
    }
    await self.clients.claim();
  })());
});
const lastKnown = async (request) => {
  const cache = await caches.open(NAME);
  const kept = await cache.match(request, { ignoreSearch: true });
  if (!kept) return new Response('No network, and this page was not seen before.', { status: 503, headers: { 'content-type': 'text/plain; charset=utf-8' } });
  const when = new Date(kept.headers.get('date'));
  const text = await kept.text();
  const mark = 'No network. Last known state, from ' + when.toLocaleString();
  const body = text.replace('<div id="not-live" role="status" hidden>', '<div id="not-live" role="status">' + mark);
  return new Response(body, { headers: { 'content-type': 'text/html; charset=utf-8' } });
};
self.addEventListener('fetch', (event) => {
  const { request } = event, url = new URL(request.url);
  if (request.method !== 'GET' || url.origin !== location.origin) return;
  if (url.pathname.startsWith('/a/')) {
    event.respondWith(caches.match(request).then((kept) => kept || fetch(request)));
  } else if (request.mode === 'navigate') {
    event.respondWith((async () => {
      try {
        const answer = await fetch(request);
        if (answer.ok && url.pathname !== '/sign-in') (await caches.open(NAME)).put(url.origin + url.pathname, answer.clone());
        return answer;
      } catch { return lastKnown(url.origin + url.pathname); }
    })());
  }
});
