// The answer follows what is typed; without this the button asks for it.
const form = document.getElementById("mix");
let asked = 0;
let wait;

async function ask() {
  const number = ++asked;
  const address = `/mix?${new URLSearchParams(new FormData(form))}`;
  try {
    const answer = await fetch(address, { headers: { Accept: "text/html" } });
    if (!answer.ok || number !== asked) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    document.getElementById("answer").replaceChildren(...page.getElementById("answer").childNodes);
    const said = document.querySelector("#answer [data-said]")?.dataset.said ?? document.querySelector("#answer .wrong")?.textContent;
    document.getElementById("mix-said").textContent = said ?? "";
    history.replaceState(null, "", address);
  } catch {
    // no signal: the button stays
  }
}

form.addEventListener("input", () => {
  clearTimeout(wait);
  wait = setTimeout(ask, 350);
});

const more = document.getElementById("more-rows");
more.hidden = false;
more.addEventListener("click", () => {
  const rows = form.querySelectorAll("fieldset.stuff");
  const fresh = rows[rows.length - 1].cloneNode(true);
  fresh.querySelector("legend").textContent = `Feedstock ${rows.length + 1}`;
  for (const field of fresh.querySelectorAll("input")) field.value = "";
  fresh.querySelector("select").selectedIndex = 0;
  fresh.querySelector("details").open = false;
  rows[rows.length - 1].after(fresh);
  fresh.querySelector("input").focus();
});
