// What stands under the pointer, in words: the nearest reading of each depth.
const NEAR = 3 * 3_600_000;
const formats = new Map();

function clock(at, zone) {
  if (!formats.has(zone)) {
    formats.set(zone, new Intl.DateTimeFormat("en-GB", { timeZone: zone, weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" }));
  }
  return formats.get(zone).format(new Date(at));
}

export function readOut(rows, at, units, zone) {
  const nearest = new Map();
  for (const row of rows) {
    const far = Math.abs(row.t - at);
    if (far < NEAR && far < (nearest.get(row.s)?.far ?? Infinity)) nearest.set(row.s, { far, c: row.c });
  }
  const figures = [...nearest].map(([name, { c }]) => `${name}: ${c.toFixed(1)} ${units}`);
  return `${clock(at, zone)} · ${figures.length ? figures.join(" · ") : "no reading"}`;
}
