// Keeps the bench page itself in the browser, so that it opens again without a network. Only pages
// and files of the bench that were shown before; the network comes first whenever it is there.

const SHELF = "budvision-bench-1";
const kept = (request) => {
  const { pathname, origin } = new URL(request.url);
  if (request.method !== "GET" || origin !== location.origin) return false;
  return (request.mode === "navigate" && /^\/bench\/\d+$/.test(pathname)) || /^\/(bench\/)?static\//.test(pathname);
};

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  if (!kept(event.request)) return;
  event.respondWith((async () => {
    const shelf = await caches.open(SHELF);
    try {
      const answer = await fetch(event.request);
      if (answer.ok && !answer.redirected) await shelf.put(event.request, answer.clone());
      return answer;
    } catch (error) {
      const before = await shelf.match(event.request);
      if (before) return before;
      throw error;
    }
  })());
});
