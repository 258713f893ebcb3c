// Has the browser keep the bench page and its files, so that it opens without a network (worker.js).

/** Keep them; say whether they are kept. Browsers have it on this machine and over HTTPS only. */
export async function shelve(base) {
  if (!("serviceWorker" in navigator)) return false;
  try {
    await navigator.serviceWorker.register(`${base}/worker.js`);
    await navigator.serviceWorker.ready;
    const files = performance.getEntriesByType("resource").map((one) => one.name).filter((name) => name.includes("/static/"));
    await (await caches.open("budvision-bench-1")).addAll([location.pathname, ...new Set(files)]);
    return true;
  } catch {
    return false;                                // the page needs the network to open; photographs are kept all the same
  }
}
