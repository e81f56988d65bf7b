// What every page does: keep a copy for a place without signal, and know the service's clock.
const CLOCK = "turnbell.clock";
const { now, speed } = document.body.dataset;

function remember() {
  const here = { server: Number(now), local: Date.now(), speed: Number(speed) };
  try {
    const kept = JSON.parse(localStorage.getItem(CLOCK) ?? "null");
    // a page out of the phone's own store is older than what is known already
    if (!kept || here.server > kept.server || here.speed !== kept.speed) localStorage.setItem(CLOCK, JSON.stringify(here));
  } catch {
    // private windows may refuse to store: then the phone's own clock has to do
  }
}

export function serviceTime() {
  try {
    const kept = JSON.parse(localStorage.getItem(CLOCK) ?? "null");
    if (kept && kept.speed !== 1) return new Date(kept.server + (Date.now() - kept.local) * kept.speed);
  } catch {
    // as above
  }
  return new Date();
}

remember();
if ("serviceWorker" in navigator) navigator.serviceWorker.register("/sw.js").catch(() => {});
for (const form of document.querySelectorAll('form[action="/leave"]')) {
  form.addEventListener("submit", () => globalThis.caches?.delete("turnbell-pages"));
}
if (document.getElementById("round") ?? document.getElementById("fresh")) import("./round.js").catch(() => {});
