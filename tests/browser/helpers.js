// Put into the page of JupyterLab by the tests: opens and runs notebooks, and looks at what they show.
(() => {
  if (window.jogtuneTest) return;
  const app = () => window.jupyterapp;
  const done = {};
  const CONTROLS = [
    ".noUi-handle", "input[type=range]", "select", ".widget-toggle-buttons button:not(.mod-active)",
    "input[type=checkbox]", "[data-jogtune-control]",
  ].join(",");
  const PICTURES = "img, canvas, svg.jogtune-picture";

  function begin(name, promise) {
    delete done[name];
    promise.then(
      (value) => { done[name] = { value: value === undefined ? null : value }; },
      (fault) => { done[name] = { fault: String((fault && fault.stack) || fault) }; });
    return null;
  }
  const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

  async function open(path) {
    await app().restored;
    let panel = app().shell.currentWidget;
    if (!panel || !panel.context || panel.context.path !== path) {
      panel = await app().commands.execute("docmanager:open", { path });
    }
    while (app().shell.currentWidget !== panel) {
      app().shell.activateById(panel.id);
      await pause(50);
    }
    await panel.context.ready;
    await panel.sessionContext.ready;
    const kernel = panel.sessionContext.session.kernel;
    await kernel.info;
    while (kernel.status !== "idle" || kernel.connectionStatus !== "connected") await pause(50);
  }

  async function runAll() {
    await app().commands.execute("notebook:run-all-cells");
    await pause(300);  // widget views attach after the cell has ended
  }

  async function runCell(index) {
    const { content } = app().shell.currentWidget;
    content.activeCellIndex = index;
    content.deselectAll();
    await app().commands.execute("notebook:run-cell");
    await pause(100);
  }

  async function close() {
    const panel = app().shell.currentWidget;
    await panel.sessionContext.shutdown();
    await panel.context.revert();
    panel.dispose();
  }

  const notebook = () => app().shell.currentWidget.content;

  function faults(node) {
    const found = [...node.querySelectorAll(
      '[data-mime-type="application/vnd.jupyter.error"], .jp-RenderedText[data-mime-type*="stderr"]')]
      .filter((e) => /Error|Exception|Traceback/.test(e.textContent));
    const words = node.textContent.match(
      /Error displaying widget[^\n]*|Failed to load model[^\n]*|Loading widget\.\.\./g) || [];
    return [...found.map((e) => e.textContent.slice(-400)), ...words];
  }

  function cells() {
    return notebook().widgets
      .filter((cell) => cell.model.type === "code" && cell.model.sharedModel.getSource().trim())
      .map((cell) => ({
        prompt: String(cell.model.executionCount ?? ""),
        source: cell.model.sharedModel.getSource().slice(0, 60),
        errors: [
          ...cell.model.outputs.toJSON().filter((o) => o.output_type === "error")
            .map((o) => `${o.ename}: ${o.evalue}`),
          ...faults(cell.outputArea.node),
        ],
      }));
  }

  const outputs = () => [...notebook().node.querySelectorAll(".jp-Cell .jp-OutputArea")]
    .filter((e) => !e.parentElement.closest(".jp-OutputArea"));
  const shown = (e) => e.getClientRects().length > 0 && !e.disabled;
  const controlsOf = (i) => [...outputs()[i].querySelectorAll(CONTROLS)].filter(shown);
  const picturesOf = (i) => [...outputs()[i].querySelectorAll(PICTURES)].filter(shown);

  function panels() {
    return outputs().map((_, i) => i).filter((i) => controlsOf(i).length && picturesOf(i).length);
  }

  function kindOf(e) {
    if (e.matches("select")) return "select";
    if (e.matches("input[type=checkbox]")) return "checkbox";
    if (e.matches("button")) return "button";
    return e.matches(".noUi-handle, input[type=range]") ? "slider" : "knob";
  }

  async function pixels(e) {
    if (e.tagName.toLowerCase() === "svg") return new TextEncoder().encode(e.outerHTML);
    if (e.decode) await e.decode().catch(() => null);
    const copy = document.createElement("canvas");
    copy.width = e.naturalWidth || e.width;
    copy.height = e.naturalHeight || e.height;
    if (!copy.width || !copy.height) return new Uint8Array();  // not loaded yet
    const pen = copy.getContext("2d");
    pen.drawImage(e, 0, 0);
    return pen.getImageData(0, 0, copy.width, copy.height).data;
  }

  async function digest(i) {
    const parts = [];
    for (const e of picturesOf(i)) {
      const hash = await crypto.subtle.digest("SHA-256", await pixels(e));
      parts.push([...new Uint8Array(hash).slice(0, 8)].map((b) => b.toString(16).padStart(2, "0")).join(""));
    }
    return parts.join(" ");
  }

  window.jogtuneTest = {
    done, begin, open, runAll, runCell, close, cells, panels, kindOf, digest, pause, notebook,
    firstControl: (i) => controlsOf(i)[0] || null,
    outputNode: (i) => outputs()[i],
  };
})();

// The on-screen knob: turn it as a wheel does, and see what it knows.
(() => {
  const root = () => document.querySelector(".jogtune-knob");
  const knob = () => root().querySelector(".jk-knob");
  const session = () => root().session;
  const view = () => [...root().sitting.views].find((v) => v.root === root());
  let frames = null;
  let totals = [];

  function watch() {
    const s = session();
    if (s.watched) return;
    s.watched = true;
    s.clickTimes = [];
    const click = s.click.bind(s);
    s.click = (time, detents) => {
      for (let i = 0; i < Math.abs(detents); i += 1) s.clickTimes.push(time);
      click(time, detents);
    };
  }

  function knobState() {
    watch();
    const s = session();
    const now = root().sitting.clock();
    return {
      counted: s.counted, turned: s.turned, rung: s.rung, gains: s.gains, running: s.running, task: s.task,
      goal: s.goal ? s.goal.goal : null, tolerance: s.goal ? s.goal.tolerance : null,
      target: s.axis.target + [...s.axis.coming, ...s.clicks].reduce((sum, c) => sum + c.detents * c.gain, 0),
      resting: !s.clicks.length && s.axis.resting(now), quiet: s.quiet(), clickTimes: s.clickTimes, results: s.results,
      rows: s.number,
    };
  }

  const notch = (pixels) => knob().dispatchEvent(
    new WheelEvent("wheel", { deltaY: pixels, bubbles: true, cancelable: true }));

  // One event per entry of `pattern` (its sign is the way), `gap` ms apart by the clock; seconds taken.
  async function wheel(pattern, gap) {
    watch();
    const begun = performance.now();
    let i = 0;
    const channel = new MessageChannel();
    await new Promise((done) => {
      channel.port1.onmessage = () => {
        if (performance.now() - begun >= i * gap) {
          notch(100 * pattern[i]);
          i += 1;
        }
        const wait = i * gap - (performance.now() - begun);
        if (i >= pattern.length) done();
        else if (wait > 6) setTimeout(() => channel.port2.postMessage(0), wait - 3);
        else channel.port2.postMessage(0);
      };
      channel.port2.postMessage(0);
    });
    return (performance.now() - begun) / 1000;
  }

  // A person who does every goal; see the fixture that starts them.
  async function person({ look, rate, spread, counted, chance }) {
    const pause = (ms) => new Promise((done) => setTimeout(done, ms));
    const key = (name) => knob().dispatchEvent(new KeyboardEvent("keydown", { key: name, bubbles: true }));
    for (let i = 0, now = knobState(); now.running; now = knobState()) {
      if (now.goal === null || Math.abs(now.goal - now.target) <= 0.4 * now.tolerance) {
        await pause(60);
        continue;
      }
      await pause(look);
      const away = now.goal - now.target;
      const rung = Math.max(1, now.gains.filter((gain) => gain <= Math.abs(away)).length);
      if (rung !== now.rung) key(String(rung));
      let clicks = Math.abs(away) / now.gains[rung - 1];
      if (clicks > counted) clicks *= 1 + spread * chance[i++];
      await wheel(Array(Math.max(1, Math.floor(clicks + 0.5))).fill(Math.sign(away)), 1000 / rate);
      while (!knobState().resting) await pause(30);
    }
  }

  function keepTrace() {
    frames = [];
    totals = [];
    const draw = view().paint.bind(view());
    const owner = view();
    owner.paint = (x) => {
      frames.push([owner.drawnAt, x]);
      draw(x);
      totals.push([performance.timeOrigin + performance.now(), session().turned]);
    };
  }

  // A drag around the middle of the knob, by so many detents, in steps of `pitch` detents.
  function around(detents, pitch = 0.5, type = "mouse") {
    const box = knob().getBoundingClientRect();
    const [x, y] = [box.left + box.width / 2, box.top + box.height / 2];
    const per = (2 * Math.PI) / session().setup.knob.detents;
    return Array.from({ length: Math.ceil(Math.abs(detents) / pitch) + 1 }, (_, i) => {
      const at = Math.sign(detents) * Math.min(i * pitch, Math.abs(detents)) * per - 0.4;
      return [x + 70 * Math.cos(at), y + 70 * Math.sin(at)];
    });
  }

  function overflow() {
    const box = root().getBoundingClientRect();
    return [...root().querySelectorAll("*")].filter((e) => {
      const inner = e.getBoundingClientRect();
      return inner.width && (inner.right > box.right + 1 || inner.left < box.left - 1);
    }).length;
  }

  const channels = (text) => text.match(/[\d.]+/g).map(Number);
  function luminance(text) {
    const [r, g, b] = channels(text).map((v) => v / 255)
      .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  }
  function behind(e) {
    for (let node = e; node; node = node.parentElement) {
      const colour = getComputedStyle(node).backgroundColor;
      if (channels(colour)[3] !== 0) return colour;
    }
    return "rgb(255,255,255)";
  }

  // The lowest contrast of any text in the widget that is not switched off (WCAG 2 asks for 4.5).
  function worstContrast() {
    const texts = [...root().querySelectorAll("*")].filter((e) => !e.closest(":disabled") && e.getClientRects().length
      && [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim()));
    return Math.min(...texts.map((e) => {
      const [a, b] = [luminance(getComputedStyle(e).color), luminance(behind(e))].sort((x, y) => y - x);
      return (a + 0.05) / (b + 0.05);
    }));
  }

  Object.assign(window.jogtuneTest, {
    knobState, wheel, person, keepTrace, overflow, around, worstContrast, view,
    scroll: (pixels) => pixels.forEach(notch),
    trace: () => frames,
    shownTotals: () => totals.filter(([, total], i) => i && total !== totals[i - 1][1]),
  });
})();
