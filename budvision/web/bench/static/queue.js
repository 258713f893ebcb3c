// What waits to be sent lies in the browser's own database first: nothing is lost on reload or
// without a network. An item leaves only when the server has said that it holds it.

const STORE = "waiting";

function open() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open("budvision-bench", 1);
    request.onupgradeneeded = () => request.result.createObjectStore(STORE, { keyPath: "id", autoIncrement: true });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

async function run(mode, work) {
  const db = await open();
  try {
    return await new Promise((resolve, reject) => {
      const transaction = db.transaction(STORE, mode, { durability: "strict" });
      const request = work(transaction.objectStore(STORE));
      transaction.oncomplete = () => resolve(request?.result);
      transaction.onerror = () => reject(transaction.error);
      transaction.onabort = () => reject(transaction.error);
    });
  } finally {
    db.close();
  }
}

/** Keep an item; returns its number once it is on disk. */
export const keep = (item) => run("readwrite", (store) => store.add(item));
/** Replace a kept item. */
export const change = (item) => run("readwrite", (store) => store.put(item));
/** Every kept item, oldest first. */
export const waiting = () => run("readonly", (store) => store.getAll());
/** Forget an item that the server holds, or that a person discards. */
export const forget = (id) => run("readwrite", (store) => store.delete(id));
