// Files that somebody has opened stay in this browser for a day, for the pages of this tab alone: another page, or the same
// one opened anew, takes them up. Where the browser keeps nothing, the page says that they have to be opened again.
const KeptFiles = (() => {
  const DAY_MS = 86400000, TAB = "labkit.tab", MOST = 16, inLab = document.body.dataset.voila !== undefined;
  let base = null;
  const answer = (request) => new Promise((resolve, reject) => { request.onsuccess = () => resolve(request.result); request.onerror = () => reject(request.error); });
  function tab() {
    let name = sessionStorage.getItem(TAB);
    if (!name) sessionStorage.setItem(TAB, name = [...crypto.getRandomValues(new Uint32Array(4))].join("-"));
    return name;
  }
  async function files(mode) {
    base ??= (async () => {
      const request = indexedDB.open("labkit", 1);
      request.onupgradeneeded = () => request.result.createObjectStore("files", { keyPath: ["tab", "place", "key"] }).createIndex("at", "at");
      const opened = await answer(request), store = opened.transaction("files", "readwrite").objectStore("files");
      for (const old of await answer(store.index("at").getAllKeys(IDBKeyRange.upperBound(Date.now() - DAY_MS)))) store.delete(old);
      return opened;
    })();
    return (await base).transaction("files", mode).objectStore("files");
  }
  async function list(store, place) {
    const found = await answer(store.getAll(IDBKeyRange.bound([tab(), place, ""], [tab(), place, []])));
    return found.sort((one, other) => one.at - other.at);
  }
  async function attempt(work, otherwise) {
    if (!inLab) return otherwise; // a notebook keeps its own files
    try { return await work(); } catch { document.documentElement.dataset.labUnkept = ""; return otherwise; }
  }
  return {
    // the files of a place, oldest first: { key, file, … what else was kept }
    all: (place) => attempt(async () => list(await files("readonly"), place), []),
    // keeps a file under a key, in place of the one there, or, if it `isNew`, under a key of its own as the list of files does
    put: (place, key, file, more = {}, isNew = false) => attempt(async () => {
      const store = await files("readwrite"), there = await list(store, place), taken = new Set(there.map((one) => one.key));
      let name = key;
      for (let number = 2; isNew && taken.has(name); number++) name = `${number} ${key}`;
      for (const old of there.slice(0, Math.max(0, there.length + 1 - MOST))) store.delete([old.tab, place, old.key]);
      await answer(store.put({ ...more, tab: tab(), place, key: name, at: Date.now(), file }));
    }),
    // changes what is kept beside a file
    note: (place, key, more) => attempt(async () => {
      const store = await files("readwrite"), old = await answer(store.get([tab(), place, key]));
      if (old) await answer(store.put({ ...old, ...more }));
    }),
    drop: (place, key) => attempt(async () => answer((await files("readwrite")).delete([tab(), place, key]))),
    // does something once the state of the address is there
    whenOpened(work) {
      if (!inLab) return;
      if (document.documentElement.dataset.labOpened !== undefined) work();
      else document.addEventListener("lab-opened", work, { once: true });
    },
  };
})();
