// What a new site mostly has: the browser's own zone, and a short name made of its name until another is typed.
const form = document.querySelector("form[action='/sites']");
if (form) {
  const { name, slug, zone } = form.elements;
  zone.value ||= Intl.DateTimeFormat().resolvedOptions().timeZone;
  let own = slug.value !== "";
  slug.addEventListener("input", () => { own = slug.value !== ""; });
  name.addEventListener("input", () => {
    if (!own) {
      const plain = name.value.normalize("NFD").toLowerCase();
      slug.value = plain.replace(/[^a-z0-9_ -]/g, "").trim().replace(/ +/g, "-").slice(0, 64);
    }
  });
}
