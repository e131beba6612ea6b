// The sitting in a notebook: rows go to the kernel, which writes the files.

const sittings = new Map();  // by the sitting's id: the model is handed out in a new wrapper each time

function hostOf(model) {
  return {
    /** A notebook that is closing, or has lost its kernel, can't be told: the rows stay in the page. */
    tell(message, buffers) {
      try {
        model.send(message, undefined, buffers);
        return true;
      } catch {
        return false;
      }
    },
    save(sitting, view) {
      sitting.flush();
      const name = fileName(sitting.setup, Math.round(sitting.began));
      if (sitting.tell({ kind: "save" })) return view.say(WORDS.saving);
      download(logText(sitting.setup, sitting.rows()), name);
      sitting.isSaved(sitting.session.number);
      view.say(WORDS.alone(name));
    },
  };
}

export default {
  initialize({ model }) {
    const setup = model.get("_setup");
    const sitting = new Sitting(hostOf(model), setup);
    model.on("msg:custom", (message) => sitting.hear(message));
    sittings.set(setup.id, sitting);
    return () => {
      sittings.delete(setup.id);
      sitting.close();
    };
  },
  render({ model, el }) {
    const sitting = sittings.get(model.get("_setup").id);
    const view = new View(sitting, el);
    sitting.views.add(view);
    sitting.wake();
    return () => view.close();
  },
};
