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
    done, begin, open, runAll, close, cells, panels, kindOf, digest, pause, notebook,
    firstControl: (i) => controlsOf(i)[0] || null,
    outputNode: (i) => outputs()[i],
  };
})();
