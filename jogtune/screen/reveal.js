// What is told after the last goal: what A and B were, the times, and how sure that is.

const middle = (values) => {
  const sorted = [...values].sort((a, b) => a - b);
  return (sorted[(sorted.length - 1) >> 1] + sorted[sorted.length >> 1]) / 2;
};

/** Times of the goals that count, by what they were done with: [{name, was, times: Map(size -> seconds)}], as it was shown. */
export function arms(setup, results) {
  const found = new Map();
  for (const { task, how, time } of results) {
    const { practice, ladder, control, size } = setup.tasks[task];
    if (practice) continue;
    const key = setup.controls.length > 1 ? control : ladder;
    const name = setup.controls.length > 1 ? control : "AB"[setup.swapped ? 1 - ladder : ladder];
    if (!found.has(key)) found.set(key, { name, was: setup.labels.was[ladder], times: new Map() });
    if (how === "reached") found.get(key).times.set(size, time);
  }
  return [...found.values()].sort((a, b) => (a.name < b.name ? -1 : 1));
}

/** How much longer `b` takes than `a` on the same goals: mean of the logs' differences, Student's 95 % interval.
 * Practice that goes on from goal to goal is in it. null below three goals on both. */
export function difference(a, b, t95) {
  const logs = [...a.times].filter(([size]) => b.times.has(size)).map(([size, time]) => Math.log(b.times.get(size) / time));
  const n = logs.length;
  if (n < 3) return null;
  const mean = logs.reduce((sum, one) => sum + one, 0) / n;
  const spread = Math.sqrt(logs.reduce((sum, one) => sum + (one - mean) ** 2, 0) / (n - 1));
  const half = (t95[n - 2] * spread) / Math.sqrt(n);
  return { n, change: Math.exp(mean) - 1, low: Math.exp(mean - half) - 1, high: Math.exp(mean + half) - 1 };
}

const percent = (share) => `${Math.round(100 * Math.abs(share))} % ${share < 0 ? "less" : "more"}`;

/** Sentences of the reveal. */
export function reveal(setup, results) {
  const [first, ...others] = arms(setup, results);
  if (!first || !others.length) return [];
  const several = setup.controls.length > 1;
  const told = [first, ...others].map(({ name, was, times }) => {
    const time = times.size ? `${middle(times.values()).toFixed(1)} s a goal (the middle of ${times.size})` : "no goal reached";
    return several ? `With the ${name}: ${time}.` : `${name} was ${was} a click: ${time}.`;
  });
  return [...told, ...others.map((other) => sure(first, other, setup.t95, several))];
}

function sure(a, b, t95, several) {
  const [one, two] = several ? [`the ${a.name}`, `the ${b.name}`] : [a.name, b.name];
  const found = difference(a, b, t95);
  if (!found) return `Too few goals on both to compare ${one} and ${two}.`;
  const { n, change, low, high } = found;
  const between = `between ${percent(low)} and ${percent(high)} time, by ${n} goals done on both`;
  if (low <= 0 && high >= 0) return `Can't tell apart yet: ${two} takes ${between}.`;
  return `${two[0].toUpperCase()}${two.slice(1)} took ${percent(change)} time than ${one}: ${between}. That is for your hand on this screen.`;
}
