// Entries that wait, in the phone's own database; a key stands there once.
function open() {
  return new Promise((resolve, reject) => {
    const asked = indexedDB.open("turnbell", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("waiting", { keyPath: "key" });
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
}

async function inside(mode, act) {
  const base = await open();
  try {
    return await new Promise((resolve, reject) => {
      const work = base.transaction("waiting", mode);
      const asked = act(work.objectStore("waiting"));
      work.oncomplete = () => resolve(asked.result);
      work.onerror = () => reject(work.error);
      work.onabort = () => reject(work.error);
    });
  } finally {
    base.close();
  }
}

export const keep = (entry) => inside("readwrite", (store) => store.put(entry));
export const drop = (key) => inside("readwrite", (store) => store.delete(key));
export const all = () => inside("readonly", (store) => store.getAll());
