// The log as a file: what jogtune/screen/setup.py and logs/read.py make of the same rows, for a page without a kernel.

const LOG_HEAD = ["time_s", "axis", "detents", "gain_mm", "rung", "position_mm", "goal_mm", "tolerance_mm", "person", "marker"];

/** A name for one line of text: no line ends, no formula of a spreadsheet, quoted where it must be. */
function cell(text) {
  const plain = String(text).replace(/[\u0000-\u001f\u007f-\u009f\u2028\u2029]+/g, " ").trim();
  const safe = /^[=+\-@]/.test(plain) ? `'${plain}` : plain;
  return /[",]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

/** Rows (each COLUMNS numbers) of a setup as tidy CSV. */
export function logText(setup, rows, head = {}) {
  const number = (value) => (Number.isNaN(value) ? "" : String(value));
  const notes = Object.entries({ ...setup.head, ...head }).map(([key, text]) => `# ${key}: ${String(text).replace(/\s+/g, " ")}`);
  const lines = [];
  for (let i = 0; i < rows.length; i += COLUMNS) {
    const [, time, detents, rung, gain, x, goal, tolerance, , task, marker] = rows.slice(i, i + COLUMNS);
    const of = marker && task >= 0 && setup.tasks[task] ? setup.tasks[task].marker : "";
    const texts = [setup.markers[marker] + of, setup.person].map(cell);
    lines.push([number(time), cell(setup.axis), detents, number(gain), rung, number(x), number(goal), number(tolerance),
      texts[1], texts[0]].join(","));
  }
  return [...notes, LOG_HEAD.join(","), ...lines, ""].join("\n");
}

/** A file's name for the person, as free of signs as the kernel's. */
export const fileName = (setup, number) => `knob_${(setup.person || "log").replace(/[^\p{L}\p{N}]/gu, "_")}_${number}.csv`;

/** Hand a text over as a file of the browser's own. */
export function download(text, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}
