// Nobody is here any more: the bench page that the browser kept for want of a network goes. Photographs
// that wait to be sent lie elsewhere and stay.

if ("caches" in window) await caches.delete("budvision-bench-1");
document.documentElement.dataset.forgotten = "yes";
