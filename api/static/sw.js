// Pages seen before open without signal; files whose address carries their digest never change.
const PAGES = "turnbell-pages";
const FILES = "turnbell-files";

addEventListener("install", () => self.skipWaiting());
addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

async function file(request) {
  const store = await caches.open(FILES);
  const held = await store.match(request);
  if (held) return held;
  const answer = await fetch(request);
  if (answer.ok) await store.put(request, answer.clone());
  return answer;
}

async function page(request) {
  const store = await caches.open(PAGES);
  try {
    const answer = await fetch(request);
    const path = new URL(request.url).pathname;
    if (answer.ok && !answer.redirected && (path === "/" || path.startsWith("/piles/"))) await store.put(request, answer.clone());
    return answer;
  } catch (error) {
    const held = await store.match(request, { ignoreSearch: true });
    if (held) return held;
    const words = "<!doctype html><meta charset=utf-8><meta name=viewport content='width=device-width'><title>No signal</title><h1>No signal</h1><p>This page was not opened before, so the phone holds no copy of it. What you logged waits and goes by itself.</p><p><a href='/'>To the round</a></p>";
    return new Response(words, { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
  }
}

addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== location.origin) return;
  if (address.pathname.startsWith("/static/")) event.respondWith(file(request));
  else if (request.mode === "navigate") event.respondWith(page(request));
});
