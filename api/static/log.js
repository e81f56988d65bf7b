// The field log without signal: an entry waits on the phone with its own time and key, and goes once when it can.
import { serviceTime } from "./shell.js";
import { all, drop, keep } from "./queue.js";

const place = document.getElementById("waiting");
const token = () => document.querySelector("input[name=csrf]")?.value ?? "";
const newKey = () => [...crypto.getRandomValues(new Uint8Array(12))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

// "" = taken; else why not. A page that comes back in place of a redirect is what there is to see next.
async function send(entry) {
  const fields = { ...entry.fields, csrf: token() || entry.fields.csrf || "" };
  let body = new URLSearchParams(fields);
  if (entry.file) {
    body = new FormData();
    for (const [name, value] of Object.entries(fields)) body.append(name, value);
    body.append(entry.file.name, entry.file.blob, "picture.jpg");
  }
  const answer = await fetch(entry.url, { method: "POST", body, redirect: "manual", headers: { Accept: "text/html" } });
  if (answer.type === "opaqueredirect") return { wrong: "" };
  if (answer.status >= 500) throw new Error(`service: ${answer.status}`);
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  if (answer.ok) return { wrong: "", next: page.querySelector("main") };
  return { wrong: page.querySelector(".wrong")?.textContent ?? `Refused (${answer.status}).` };
}

// A phone's picture is megabytes: made smaller before it waits or goes, which also leaves its place data behind.
async function smaller(file) {
  try {
    const image = await createImageBitmap(file, { imageOrientation: "from-image" });
    const share = Math.min(1, 1600 / Math.max(image.width, image.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.round(image.width * share);
    canvas.height = Math.round(image.height * share);
    canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
    const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.85));
    return blob && blob.size < file.size ? blob : file;
  } catch {
    return file; // the service says whether it can be read
  }
}

function say(form, text) {
  let line = form.querySelector(".wrong");
  if (!line) {
    line = document.createElement("p");
    line.className = "wrong";
    line.setAttribute("role", "alert");
    form.append(line);
  }
  line.textContent = text;
}

async function submitted(event) {
  const form = event.target;
  event.preventDefault();
  const filled = [...new FormData(form)];
  const fields = Object.fromEntries(filled.filter(([, value]) => typeof value === "string"));
  const picture = filled.find(([, value]) => typeof value !== "string");
  for (const button of form.querySelectorAll("button")) button.disabled = true;
  const entry = { key: fields.key || newKey(), url: form.action, word: form.dataset.queue.replace("_", " "), fields };
  entry.fields.key = entry.key;
  if (picture) entry.file = { name: picture[0], blob: await smaller(picture[1]) };
  try {
    const { wrong, next } = await send(entry);
    if (wrong) say(form, wrong);
    else if (next) document.querySelector("main").replaceWith(document.adoptNode(next));
    else location.assign(location.pathname);
    if (!wrong) return;
  } catch {
    entry.fields.at ||= serviceTime().toISOString();
    entry.page = location.pathname;
    await keep(entry);
    form.reset();
    const key = form.querySelector("input[name=key]");
    if (key) key.value = newKey();
    await showWaiting();
  }
  for (const button of form.querySelectorAll("button")) button.disabled = false;
}

async function showWaiting() {
  const waiting = await all();
  if (!place) return;
  place.hidden = waiting.length === 0;
  place.replaceChildren(...waiting.map((entry) => {
    const line = document.createElement("p");
    const when = new Date(entry.fields.at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
    line.textContent = entry.wrong ? `Not taken: ${entry.word}. ${entry.wrong} ` : `No signal: ${entry.word} of ${when} waits on this phone and goes by itself. `;
    if (entry.wrong) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = "Throw away";
      button.addEventListener("click", async () => {
        await drop(entry.key);
        await showWaiting();
      });
      line.append(button);
    }
    return line;
  }));
}

async function flush() {
  let sent = 0;
  for (const entry of await all()) {
    if (entry.wrong) continue;
    try {
      const { wrong } = await send(entry);
      if (wrong) await keep({ ...entry, wrong });
      else {
        await drop(entry.key);
        sent += 1;
      }
    } catch {
      break;
    }
  }
  await showWaiting();
  if (sent) location.reload();
}

const alone = () => (navigator.locks ? navigator.locks.request("turnbell-queue", { ifAvailable: true }, (lock) => (lock ? flush() : undefined)) : flush());
for (const form of document.querySelectorAll("form[data-queue]")) form.addEventListener("submit", submitted);
addEventListener("online", () => alone().catch(() => {}));
setInterval(() => alone().catch(() => {}), 20_000);
alone().catch(() => {});
