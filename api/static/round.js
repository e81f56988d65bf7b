// The list keeps itself up to date; what has the focus keeps it.
const list = document.getElementById("round") ?? document.getElementById("fresh");
const pause = Number(document.body.dataset.speed) > 1 ? 8_000 : 30_000;

async function renew() {
  if (document.hidden || list.querySelector("details[open]")) return;
  const held = list.contains(document.activeElement) ? document.activeElement : null;
  if (held && held.tagName !== "A") return;
  const answer = await fetch(list.dataset.source ?? location.href, { headers: { Accept: "text/html" } });
  if (!answer.ok || answer.redirected) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const fresh = page.getElementById(list.id) ?? page.body;
  list.replaceChildren(...document.adoptNode(fresh).childNodes);
  if (held) list.querySelector(`a[href="${CSS.escape(held.getAttribute("href"))}"]`)?.focus();
}

// A list that is not whole yet is asked for again soon.
let next;
async function quietly() {
  clearTimeout(next);
  await renew().catch(() => {});
  next = setTimeout(quietly, list.querySelector("[data-soon]") ? 2_000 : pause);
}
next = setTimeout(quietly, list.querySelector("[data-soon]") ? 2_000 : pause);
document.addEventListener("visibilitychange", quietly);

// The open piles' pages are kept for the walk, at most once in ten minutes.
async function keepForTheWalk() {
  if (!globalThis.caches || !navigator.onLine) return;
  const last = Number(sessionStorage.getItem("turnbell.kept") ?? 0);
  if (Date.now() - last < 600_000) return;
  sessionStorage.setItem("turnbell.kept", String(Date.now()));
  const store = await caches.open("turnbell-pages");
  for (const link of [...list.querySelectorAll(".peg a")].slice(0, 40)) await store.add(link.href).catch(() => {});
}
addEventListener("load", () => setTimeout(() => keepForTheWalk().catch(() => {}), 3_000));
