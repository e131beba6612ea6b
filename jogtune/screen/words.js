// What the page says. Figures go in where a function asks for them.

export const WORDS = {
  hint: {
    knob: "Drag around the knob, or click it and turn the wheel or press the arrow keys. 1 to 9 choose the position.",
    stick: "Pull the lever to a side: the farther, the faster. Let go, and the axis stops.",
    buttons: "Each press moves the axis by one step. 1 to 9 choose the step.",
  },
  note: "A screen doesn't feel like a real knob: times found here don't carry over to it.",
  real: "Turned by a real hand control. Motor power off, hands clear of the machine.",
  start: "Start the goals", skip: "Skip this goal", other: "Other ladder", notch: "Set one notch", save: "Save the log",
  limits: "the machine's limits", sound: "click sound", felt: "vibration", goOn: "Go on", anew: "Begin anew",
  saveOld: "Save them as a file", letGo: "Let them go",
  turnNotch: "Turn the wheel by exactly one notch.",
  isNotch: (pixels) => `One notch is ${Math.round(pixels)} px from now on.`,
  left: (clicks, when) => `${clicks} clicks of ${when} aren't saved yet. They are kept here.`,
  earlier: (clicks, when) => `${clicks} clicks of another sitting, ${when}, aren't saved yet.`,
  full: "This browser keeps nothing for later (private window, or its store is full): save the log before you leave.",
  saving: "Saving: the file is written as soon as the notebook is free.",
  saved: (name) => `Saved as ${name}, where this browser puts its downloads.`,
  alone: (name) => `The notebook has no kernel. Saved as ${name}, where this browser puts its downloads.`,
  reached: (seconds) => `Goal reached in ${seconds.toFixed(1)} s.`,
  skipped: "Goal skipped.",
  last: "That was the last one: save the log.",
  atStop: "at the stop",
};

/** How long ago, as one says it. */
export function ago(began) {
  const minutes = Math.round((Date.now() - began) / 60_000);
  if (minutes < 1) return "just now";
  if (minutes < 90) return `${minutes} min ago`;
  return minutes < 36 * 60 ? `${Math.round(minutes / 60)} h ago` : new Date(began).toLocaleDateString();
}
