// What stands under the pointer, in words: the nearest reading of each depth; ahead of the readings, the outlook.
const NEAR = 3 * 3_600_000;
const formats = new Map();

function clock(at, zone) {
  if (!formats.has(zone)) {
    formats.set(zone, new Intl.DateTimeFormat("en-GB", { timeZone: zone, weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" }));
  }
  return formats.get(zone).format(new Date(at));
}

function foreseen(ahead, at) {
  const next = ahead.findIndex((one) => one.t >= at);
  if (next < 1) return null;
  const [before, after] = [ahead[next - 1], ahead[next]];
  const share = (at - before.t) / (after.t - before.t);
  return ["c", "low", "high"].map((name) => before[name] + (after[name] - before[name]) * share);
}

export function readOut(rows, ahead, at, units, zone) {
  const future = foreseen(ahead, at);
  if (future) {
    const [c, low, high] = future.map((one) => one.toFixed(0));
    return `${clock(at, zone)} · outlook for the hottest: about ${c} ${units}, most likely ${low} to ${high}`;
  }
  const nearest = new Map();
  for (const row of rows) {
    const far = Math.abs(row.t - at);
    if (far < NEAR && far < (nearest.get(row.s)?.far ?? Infinity)) nearest.set(row.s, { far, c: row.c });
  }
  const figures = [...nearest].map(([name, { c }]) => `${name}: ${c.toFixed(1)} ${units}`);
  return `${clock(at, zone)} · ${figures.length ? figures.join(" · ") : "no reading"}`;
}
