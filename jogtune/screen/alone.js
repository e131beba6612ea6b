// The sitting in a page of its own: no kernel, no network; the log is a file of the browser's.

const setup = { id: "page", ...JSON.parse(document.getElementById("setup").textContent) };
const host = {
  tell: () => true,
  save(sitting, view) {
    sitting.flush();
    const name = fileName(setup, sitting.keep.once("files", (sitting.keep.once("files") ?? 0) + 1) ?? Math.round(sitting.began));
    download(logText(setup, sitting.rows()), name);
    sitting.isSaved(sitting.session.number);
    view.say(WORDS.saved(name));
  },
};
const sitting = new Sitting(host, setup);
const view = new View(sitting, document.getElementById("knob"));
sitting.views.add(view);
sitting.wake();
