// What a person sees and touches: the axis strip, the ladder beside it, and the rim of the knob below.
//
// The sitting (session.js) belongs to the model, not to a view: showing the widget twice shows one sitting.

const PIXELS_PER_CLICK = 12;  // of a drag along the rim
const TRACKPAD_PIXELS = 40;  // of a scroll that comes in small pieces
const PIXELS_OF_MODE = [1, 40, 800];  // wheel events count pixels, lines or pages
const RIDGES = 48;  // drawn around the whole rim
const sittings = new Map();  // by the sitting's id: the model is handed out in a new wrapper each time

// ------------------------------------------------------------------ the sitting and its clock

/** One sitting: the session, its clock, and everything that must happen at the next frame. */
class Sitting {
  constructor(model) {
    this.model = model;
    this.setup = model.get("_setup");
    this.session = new Session(this.setup);
    this.origin = performance.now();
    this.views = new Set();
    this.began = performance.timeOrigin + this.origin;  // by this one the kernel tells a page loaded anew from an old one
    this.sent = [];  // every row ever sent, kept in case the kernel asks again
    this.heard = this.setup.turn;  // number and running total of a real hand control
    this.frame = 0;
    model.on("msg:custom", (message) => this.hear(message));
  }

  /** Seconds since the sitting began, of now or of an event's own time. */
  clock(stamp = performance.now()) {
    return Math.max(0, (stamp - this.origin) / 1000);
  }

  turn(detents, stamp) {
    this.session.click(this.clock(stamp), detents);
    this.wake();
  }

  wake() {
    if (!this.frame) this.frame = requestAnimationFrame(() => this.step());
  }

  step() {
    this.frame = 0;
    const now = this.clock();
    this.session.run(now);
    this.flush();
    for (const view of this.views) view.draw(now);
    if (!this.session.quiet() || [...this.views].some((view) => view.turning)) this.wake();
  }

  flush() {
    const rows = this.session.takeRows();
    if (!rows.length) return;
    this.sent.push(rows);
    this.tell({ kind: "rows" }, [rows.buffer]);
  }

  /** Tell the kernel. A notebook that is closing, or has lost its kernel, can't be told: the rows stay in `sent`. */
  tell(message, buffers = []) {
    try {
      this.model.send({ id: this.setup.id, began: this.began, ...message }, undefined, buffers);
      return true;
    } catch {
      return false;
    }
  }

  hear(message) {
    if (message.kind === "turn") this.hearTurn(message);
    if (message.kind === "resend" && this.sent.length) {
      this.sent = [new Float64Array(this.sent.flatMap((rows) => [...rows]))];
      this.tell({ kind: "rows" }, [this.sent[0].buffer]);
    }
    if (message.kind === "say") for (const view of this.views) view.say(message.text);
    this.wake();
  }

  /** Reports of a real hand control: running totals, so that one message lost, late or doubled changes no click. */
  hearTurn({ reports, number }) {
    if (number <= this.heard.number) return;
    const before = [this.heard.total, ...reports.map(([total]) => total)];
    this.session.live(this.clock(), reports.map(([total, rung], i) => [total - before[i], rung]));
    this.heard = { number, total: before.at(-1) };
    for (const view of this.views) view.note.textContent = this.setup.labels.real;
  }
}

// ------------------------------------------------------------------ the wheel

/** Turns wheel events into clicks: one notch of a wheel is one click, a trackpad's trickle is gathered. */
class Notches {
  constructor() {
    this.pixels = null;  // of one notch, learnt
    this.fixed = false;  // set by the person
    this.gathered = 0;
  }

  /** Signed clicks of one event; scrolling down or right is positive. */
  clicks(event) {
    const along = Math.abs(event.deltaX) > Math.abs(event.deltaY) ? event.deltaX : event.deltaY;
    const pixels = along * PIXELS_OF_MODE[event.deltaMode];
    if (this.fixed || Math.abs(pixels) < 50) return this.gather(pixels, this.fixed ? this.pixels : TRACKPAD_PIXELS);
    this.learn(Math.abs(pixels));
    return Math.sign(pixels) * Math.max(1, Math.round(Math.abs(pixels) / this.pixels));
  }

  gather(pixels, notch) {
    if (pixels * this.gathered < 0) this.gathered = 0;
    this.gathered += pixels;
    const clicks = Math.trunc(this.gathered / notch + Math.sign(pixels) * 1e-9);
    this.gathered -= clicks * notch;
    return clicks;
  }

  learn(pixels) {
    const likely = [100, 120].find((size) => pixels % size === 0) ?? pixels;
    this.pixels = Math.min(this.pixels ?? likely, likely);
  }

  /** Take this event as exactly one notch, from now on. */
  calibrate(event) {
    const along = Math.abs(event.deltaX) > Math.abs(event.deltaY) ? event.deltaX : event.deltaY;
    this.pixels = Math.abs(along) * PIXELS_OF_MODE[event.deltaMode];
    this.fixed = this.pixels > 0;
    this.gathered = 0;
  }
}

// ------------------------------------------------------------------ small helpers

function make(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name in node && typeof value !== "string") node[name] = value;
    else node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}

/** Whether the page is dark, by what its background really is. */
function pageIsDark() {
  const style = getComputedStyle(document.body);
  const declared = document.body.dataset.jpThemeLight;
  if (declared !== undefined) return declared === "false";
  const [r, g, b, opacity] = (style.backgroundColor.match(/[\d.]+/g) || []).map(Number);
  if (b !== undefined && opacity !== 0) return (0.2126 * r + 0.7152 * g + 0.0722 * b) / 255 < 0.4;
  return matchMedia("(prefers-color-scheme: dark)").matches;
}

// Colours of the Okabe-Ito set, which people with any common colour vision tell apart; each has a shape too.
const INKS = {
  light: { text: "#1f2328", soft: "#5b636d", line: "#9aa2ab", faint: "#e3e6e9", page: "#ffffff",
    axis: "#0063a0", asked: "#b34700", goal: "#006f50", goalFill: "rgba(0,111,80,.13)" },
  dark: { text: "#e8eaed", soft: "#a9b1ba", line: "#6d757f", faint: "#2f353c", page: "#16191d",
    axis: "#56b4e9", asked: "#f0a03c", goal: "#35c79a", goalFill: "rgba(53,199,154,.2)" },
};

// ------------------------------------------------------------------ the view

class View {
  constructor(sitting, root) {
    this.sitting = sitting;
    this.session = sitting.session;
    this.setup = sitting.setup;
    this.notches = new Notches();
    this.rim = 0;  // drawn turn of the rim, in clicks; follows the clicks made
    this.turning = false;
    this.reduced = matchMedia("(prefers-reduced-motion: reduce)");
    this.stop = new AbortController();
    this.build(root);
    this.listen();
    this.watchTheme();
    this.watchSize();
    root.session = this.session;  // for tests and the curious
    root.sitting = sitting;
  }

  // ---------------------------------------------------------------- its parts

  build(root) {
    const { labels } = this.setup;
    this.root = root;
    root.classList.add("jogtune-knob");
    this.canvas = make("canvas", { "aria-hidden": "true" });
    this.knob = make("div", {
      class: "jk-knob", role: "slider", "data-lm-suppress-shortcuts": "true", "data-jogtune-control": "knob",
      "aria-label": `Hand knob of ${labels.axis}. Arrow keys turn it one click, 1 to 9 choose the distance per click.`,
      "aria-valuemin": "0", "aria-valuemax": String(this.setup.reach),
    }, this.canvas);
    this.knob.tabIndex = 0;
    this.goalLine = make("div", { class: "jk-goal" });
    this.cells = [0, 1, 2, 3].map(() => make("span"));
    this.readout = make("div", { class: "jk-readout" }, ...this.cells);
    this.note = make("div", { class: "jk-note" }, labels.note);
    this.status = make("div", { class: "jk-status", role: "status", "aria-live": "polite" });
    root.append(
      make("div", { class: "jk-head" }, make("strong", {}, labels.title), this.goalLine),
      make("div", { class: "jk-body" }, this.buildLadder(), make("div", { class: "jk-right" }, this.knob, this.readout)),
      this.buildFoot(), this.status, this.note);
    this.say(labels.hint);
  }

  buildLadder() {
    this.ladderBox = make("fieldset", { class: "jk-ladder" });
    this.fillLadder();
    return this.ladderBox;
  }

  /** The rungs upright, coarsest on top; a blind sitting shows their numbers only. */
  fillLadder() {
    const { session, setup } = this;
    this.shownLadder = session.ladder;
    const name = `rung-${setup.id}-${Math.random().toString(36).slice(2, 8)}`;
    const rungs = setup.labels.rungs[session.ladder].map((label, i) => {
      const input = make("input", { type: "radio", name, value: String(i + 1), "data-lm-suppress-shortcuts": "true" });
      input.addEventListener("change", () => this.choose(i + 1));
      return make("label", { class: "jk-rung" }, input, make("span", { class: "jk-key" }, String(i + 1)),
        make("span", { class: "jk-gain" }, label));
    });
    this.radios = rungs.map((rung) => rung.querySelector("input"));
    const legend = make("legend", {}, setup.labels.ladders[session.ladder]);
    this.ladderBox.replaceChildren(legend, ...rungs.reverse());
  }

  buildFoot() {
    const button = (text, action) => {
      const node = make("button", { type: "button", "data-lm-suppress-shortcuts": "true" }, text);
      node.addEventListener("click", action);
      return node;
    };
    this.startButton = button("Start the goals", () => this.start());
    this.skipButton = button("Skip this goal", () => this.act((now) => this.session.skip(now)));
    this.notchButton = button("Set one notch", () => this.askNotch());
    this.saveButton = button("Save the log", () => this.save());
    this.limitsBox = make("input", { type: "checkbox", checked: true, "data-lm-suppress-shortcuts": "true" });
    this.limitsBox.addEventListener("change", () => this.act((now) => this.session.limitsOn(this.limitsBox.checked, now)));
    this.otherButton = button("Other ladder", () => this.otherLadder());
    this.otherButton.hidden = this.setup.ladders.length < 2 || this.setup.blind;
    this.startButton.hidden = this.skipButton.hidden = !this.setup.tasks.length;
    return make("div", { class: "jk-foot" }, this.startButton, this.skipButton, this.otherButton,
      make("label", { class: "jk-limits" }, this.limitsBox, "the machine's limits"), this.notchButton, this.saveButton);
  }

  // ---------------------------------------------------------------- what a person does

  listen() {
    const on = (target, type, action, options = {}) =>
      target.addEventListener(type, action, { signal: this.stop.signal, ...options });
    on(this.root, "wheel", (event) => this.onWheel(event), { passive: false });
    on(this.root, "keydown", (event) => this.onKey(event));
    on(this.knob, "pointerdown", (event) => this.onGrip(event));
    on(this.knob, "pointermove", (event) => this.onDrag(event));
    for (const type of ["pointerup", "pointercancel"]) on(this.knob, type, () => { this.grip = null; });
  }

  /** The wheel turns the knob while the knob has the focus; else the page scrolls as it should. */
  onWheel(event) {
    if (document.activeElement !== this.knob || event.ctrlKey) return;
    event.preventDefault();
    event.stopPropagation();
    if (this.wantsNotch) return this.takeNotch(event);
    const clicks = this.notches.clicks(event);
    if (clicks) this.sitting.turn(clicks, event.timeStamp);
  }

  onKey(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const onKnob = event.target === this.knob;
    const turn = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
    if (onKnob && turn) this.sitting.turn(turn, event.timeStamp);
    else if (/^[1-9]$/.test(event.key)) this.choose(Number(event.key));
    else if (!onKnob || !["PageUp", "PageDown"].includes(event.key)) return;
    else this.choose(this.session.rung + (event.key === "PageUp" ? 1 : -1));
    event.preventDefault();
    event.stopPropagation();
  }

  onGrip(event) {
    if (event.button) return;
    this.knob.focus({ preventScroll: true });
    this.knob.setPointerCapture(event.pointerId);
    this.grip = { x: event.clientX };
  }

  onDrag(event) {
    if (!this.grip) return;
    const clicks = Math.trunc((event.clientX - this.grip.x) / PIXELS_PER_CLICK);
    if (!clicks) return;
    this.grip.x += clicks * PIXELS_PER_CLICK;
    this.sitting.turn(clicks, event.timeStamp);
  }

  act(action) {
    action(this.sitting.clock());
    this.sitting.wake();
  }

  choose(rung) {
    this.act((now) => this.session.choose(rung, now));
  }

  otherLadder() {
    this.act(() => this.session.chooseLadder((this.session.ladder + 1) % this.setup.ladders.length));
  }

  start() {
    if (this.session.running) return;
    this.limitsBox.checked = true;
    this.act((now) => {
      this.session.limitsOn(true, now);
      this.session.begin(now);
    });
    this.knob.focus({ preventScroll: true });
  }

  save() {
    this.sitting.flush();
    const told = this.sitting.tell({ kind: "save" });
    this.say(
      told
        ? "Saving: the file is written as soon as the notebook is free."
        : "Not saved: the notebook has no kernel. What was turned is kept here; run the cell again, then save.",
    );
  }

  askNotch() {
    this.wantsNotch = true;
    this.knob.focus({ preventScroll: true });
    this.say("Turn the wheel by exactly one notch.");
  }

  takeNotch(event) {
    this.wantsNotch = false;
    this.notches.calibrate(event);
    this.say(`One notch is ${Math.round(this.notches.pixels)} px from now on.`);
  }

  // ---------------------------------------------------------------- what a person is told

  say(text) {
    if (this.status.textContent !== text) this.status.textContent = text;
  }

  number(distance, signed = false) {
    const { unit, decimals } = this.setup;
    const value = distance / unit.size;
    const text = Math.abs(value).toFixed(decimals);
    const sign = value < 0 && Number(text) !== 0 ? "−" : signed ? "+" : "";
    return `${sign}${text} ${unit.name}`;
  }

  /** How many clicks a second the hand turns, over the last half second. */
  turnRate(now) {
    const count = this.session.counted;
    this.history = (this.history || []).filter(([time]) => now - time <= 0.5);
    this.history.push([now, count]);
    const [first, before] = this.history[0];
    return now - first > 0.1 ? (count - before) / (now - first) : 0;
  }

  tell(now, x) {
    const { session } = this;
    const rate = this.turnRate(now);
    const owed = session.axis.target - x;
    const letGo = session.axis.lost ? `, ${session.axis.lost} clicks let go` : "";
    const texts = [
      `at ${this.number(x)}`,
      session.goal ? `to the goal ${this.number(session.goal.goal - x, true)}` : "no goal",
      Math.abs(owed) > 1e-9 ? `still to run ${this.number(owed, true)}` : "at rest",
      `${rate.toFixed(0)} clicks/s${letGo}`,
    ];
    texts.forEach((text, i) => {
      if (this.cells[i].textContent !== text) this.cells[i].textContent = text;
    });
    this.tellGoal();
    this.tellReaders(now, x);
  }

  tellGoal() {
    const { session, setup } = this;
    const { goal } = session;
    this.skipButton.disabled = !session.showing;
    this.startButton.disabled = this.limitsBox.disabled = this.otherButton.disabled = session.running;
    const practice = setup.tasks.filter((task) => task.practice).length;
    const counted = goal?.practice ? `Practice ${session.task + 1} of ${practice}`
      : `Goal ${session.task + 1 - practice} of ${setup.tasks.length - practice}`;
    this.goalLine.textContent = goal
      ? `${counted} · ${goal.kind} · come to rest within ±${this.number(goal.tolerance / 2)}` : "";
    const done = session.results.length;
    if (done === this.told) return;
    this.told = done;
    const last = session.results[done - 1];
    if (!last) return;
    const outcome = last.how === "reached" ? `Goal reached in ${last.time.toFixed(1)} s.` : "Goal skipped.";
    const all = done === setup.tasks.length ? " That was the last one: save the log." : "";
    this.say(outcome + all);
  }

  /** Screen readers get the position when it rests, and no more than twice a second. */
  tellReaders(now, x) {
    if (now - (this.toldReaders ?? -1) < 0.5 && !this.session.quiet()) return;
    this.toldReaders = now;
    const { goal } = this.session;
    const toGoal = goal ? `, ${this.number(goal.goal - x, true)} to the goal` : "";
    this.knob.setAttribute("aria-valuenow", x.toFixed(6));
    this.knob.setAttribute("aria-valuetext", this.number(x) + toGoal);
  }

  // ---------------------------------------------------------------- drawing

  watchTheme() {
    const read = () => {
      this.root.classList.toggle("jk-dark", pageIsDark());
      this.inks = INKS[pageIsDark() ? "dark" : "light"];
      this.sitting.wake();
    };
    const eye = new MutationObserver(read);
    eye.observe(document.body, { attributes: true });
    eye.observe(document.documentElement, { attributes: true });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", read, { signal: this.stop.signal });
    this.stop.signal.addEventListener("abort", () => eye.disconnect());
    read();
  }

  watchSize() {
    const eye = new ResizeObserver(() => this.sitting.wake());
    eye.observe(this.knob);
    this.stop.signal.addEventListener("abort", () => eye.disconnect());
  }

  draw(now) {
    if (!this.root.isConnected) return;
    if (this.shownLadder !== this.session.ladder) this.fillLadder();
    const radio = this.radios[this.session.rung - 1];
    if (radio && !radio.checked) radio.checked = true;
    this.limitsBox.checked = !this.session.axis.free;
    this.followRim();
    this.drawnAt = now;
    const [x] = this.session.axis.at(now);
    this.tell(now, x);
    this.paint(x);
  }

  /** The drawn rim runs after the hand's clicks; with reduced motion it is simply there. */
  followRim() {
    const behind = this.session.turned - this.rim;
    this.turning = !this.reduced.matches && Math.abs(behind) > 0.02;
    this.rim = this.turning ? this.rim + behind * 0.35 : this.session.turned;
  }

  paint(x) {
    const width = this.knob.clientWidth;
    const height = this.knob.clientHeight;
    const density = window.devicePixelRatio || 1;
    if (!width || !height) return;
    if (this.canvas.width !== Math.round(width * density) || this.canvas.height !== Math.round(height * density)) {
      this.canvas.width = Math.round(width * density);
      this.canvas.height = Math.round(height * density);
    }
    const pen = this.canvas.getContext("2d");
    pen.setTransform(density, 0, 0, density, 0, 0);
    pen.clearRect(0, 0, width, height);
    pen.font = "12px system-ui, sans-serif";
    const whole = { left: 14, right: width - 14, y: 50, from: 0, to: this.setup.reach };
    const near = this.nearStrip(x, width);
    this.paintLens(pen, whole, near);
    this.paintStrip(pen, whole, x, "the whole axis");
    this.paintStrip(pen, near, x, this.session.goal ? "near the goal" : "near the axis");
    this.paintRim(pen, width, height);
  }

  /** The magnified strip: around the goal, or else around the axis, ten clicks to each side. */
  nearStrip(x, width) {
    const { goal, gain } = this.session;
    const half = goal ? 4 * goal.tolerance : 10 * gain;
    if (!goal) {
      const step = 5 * gain;
      if (this.lens?.gain !== gain || Math.abs(x - this.lens.centre) > 0.9 * half) {
        this.lens = { gain, centre: Math.round(x / step) * step };
      }
    }
    const centre = goal ? goal.goal : this.lens.centre;
    return { left: 14, right: width - 14, y: 146, from: centre - half, to: centre + half };
  }

  paintLens(pen, whole, near) {
    const at = (place) => Math.min(Math.max(this.at(whole, place), whole.left), whole.right);
    pen.fillStyle = this.inks.faint;
    pen.beginPath();
    pen.moveTo(at(near.from), whole.y + 14);
    pen.lineTo(at(near.to), whole.y + 14);
    pen.lineTo(near.right + 6, near.y - 52);
    pen.lineTo(near.left - 6, near.y - 52);
    pen.fill();
    pen.beginPath();
    pen.roundRect(near.left - 6, near.y - 52, near.right - near.left + 12, 78, [0, 0, 6, 6]);
    pen.fill();
  }

  at(strip, place) {
    return strip.left + ((place - strip.from) / (strip.to - strip.from)) * (strip.right - strip.left);
  }

  paintStrip(pen, strip, x, title) {
    const { inks, session } = this;
    pen.fillStyle = inks.soft;
    pen.textAlign = "left";
    pen.fillText(title, strip.left, strip.y - 36);
    if (session.goal) this.paintGoal(pen, strip, session.goal);
    pen.strokeStyle = inks.line;
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(strip.left, strip.y);
    pen.lineTo(strip.right, strip.y);
    pen.stroke();
    this.paintTicks(pen, strip);
    this.paintAsked(pen, strip, session.axis.target, x);
    this.paintAxis(pen, strip, x);
  }

  paintTicks(pen, strip) {
    const { size, name } = this.setup.unit;
    const { step, decimals } = this.tickStep(pen, strip);
    pen.strokeStyle = this.inks.line;
    pen.fillStyle = this.inks.soft;
    pen.lineWidth = 1;
    pen.textAlign = "center";
    pen.beginPath();
    for (let i = Math.ceil(strip.from / size / step - 1e-6); i * step <= strip.to / size + 1e-6 * step; i += 1) {
      const place = this.at(strip, i * step * size);
      pen.moveTo(place, strip.y);
      pen.lineTo(place, strip.y + 6);
      const edge = Math.min(Math.max(place, strip.left + 12), strip.right - 22);
      pen.fillText((i * step).toFixed(decimals) + (i === 0 && strip.from === 0 ? ` ${name}` : ""), edge, strip.y + 19);
    }
    pen.stroke();
  }

  /** The smallest of 1, 2 or 5 × 10ⁿ whose labels don't touch. */
  tickStep(pen, strip) {
    const { size } = this.setup.unit;
    const pixels = (strip.right - strip.left) / ((strip.to - strip.from) / size);
    for (let i = 3 * Math.floor(Math.log10(14 / pixels)); ; i += 1) {
      const step = [1, 2, 5].at(i % 3) * 10 ** Math.floor(i / 3);
      const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
      const widest = Math.max(...[strip.from, strip.to].map((x) => pen.measureText((x / size).toFixed(decimals)).width));
      if (step * pixels >= widest + 16) return { step, decimals };
    }
  }

  /** The goal: a hatched band between brackets, so that it doesn't rest on its colour. */
  paintGoal(pen, strip, { goal, tolerance }) {
    let [left, right] = [this.at(strip, goal - tolerance / 2), this.at(strip, goal + tolerance / 2)];
    if (right < strip.left || left > strip.right) return;
    if (right - left < 4) [left, right] = [(left + right) / 2 - 2, (left + right) / 2 + 2];
    const { inks } = this;
    const [top, bottom] = [strip.y - 26, strip.y];
    pen.save();
    pen.beginPath();
    pen.rect(left, top, right - left, bottom - top);
    pen.clip();
    pen.fillStyle = inks.goalFill;
    pen.fillRect(left, top, right - left, bottom - top);
    pen.strokeStyle = inks.goal;
    pen.globalAlpha = 0.45;
    pen.lineWidth = 1;
    pen.beginPath();
    for (let place = left - 30; place < right; place += 7) {
      pen.moveTo(place, bottom);
      pen.lineTo(place + 28, top);
    }
    pen.stroke();
    pen.restore();
    pen.strokeStyle = inks.goal;
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(left + 4, top);
    pen.lineTo(left, top);
    pen.lineTo(left, bottom);
    pen.moveTo(right - 4, top);
    pen.lineTo(right, top);
    pen.lineTo(right, bottom);
    pen.stroke();
  }

  /** Where the axis is: a filled pointer from above, or an arrow at the edge that says how far off it is. */
  paintAxis(pen, strip, x) {
    const place = this.at(strip, x);
    const { inks } = this;
    pen.fillStyle = inks.axis;
    pen.beginPath();
    if (place < strip.left || place > strip.right) {
      const way = place < strip.left ? -1 : 1;
      const edge = way < 0 ? strip.left : strip.right;
      pen.moveTo(edge + way * 2, strip.y - 12);
      pen.lineTo(edge - way * 10, strip.y - 19);
      pen.lineTo(edge - way * 10, strip.y - 5);
      pen.fill();
      pen.fillStyle = inks.text;
      pen.textAlign = way < 0 ? "left" : "right";
      pen.fillText("axis", edge - way * 15, strip.y - 8);
      return;
    }
    pen.moveTo(place, strip.y);
    pen.lineTo(place - 7, strip.y - 15);
    pen.lineTo(place + 7, strip.y - 15);
    pen.fill();
    pen.fillRect(place - 1, strip.y - 22, 2, 10);
  }

  /** Where the hand has asked it to be: a hollow lozenge on the line, joined to the axis by a dashed run. */
  paintAsked(pen, strip, target, x) {
    if (Math.abs(target - x) < 1e-9) return;
    const clip = (place) => Math.min(Math.max(place, strip.left), strip.right);
    const [from, to] = [clip(this.at(strip, x)), clip(this.at(strip, target))];
    pen.strokeStyle = this.inks.asked;
    pen.lineWidth = 2;
    pen.setLineDash([4, 3]);
    pen.beginPath();
    pen.moveTo(from, strip.y);
    pen.lineTo(to, strip.y);
    pen.stroke();
    pen.setLineDash([]);
    if (to !== this.at(strip, target)) return;
    pen.beginPath();
    pen.moveTo(to, strip.y - 6);
    pen.lineTo(to + 5, strip.y);
    pen.lineTo(to, strip.y + 6);
    pen.lineTo(to - 5, strip.y);
    pen.closePath();
    pen.fillStyle = this.inks.page;
    pen.fill();
    pen.stroke();
  }

  /** The knob seen edge-on: ridges around its rim, closer together toward the sides, every tenth marked. */
  paintRim(pen, width, height) {
    const { inks } = this;
    const [top, bottom] = [height - 56, height - 10];
    const radius = Math.min(width / 2 - 14, 210);
    const middle = width / 2;
    pen.fillStyle = inks.faint;
    pen.beginPath();
    pen.roundRect(middle - radius, top, 2 * radius, bottom - top, 9);
    pen.fill();
    const pitch = (2 * Math.PI) / RIDGES;
    const quarter = Math.ceil(RIDGES / 4);
    for (let i = Math.floor(-this.rim) - quarter; i <= -this.rim + quarter + 1; i += 1) {
      const angle = (i + this.rim) * pitch;
      const depth = Math.cos(angle);
      if (depth <= 0.03) continue;
      const place = middle + radius * Math.sin(angle);
      const marked = i % 10 === 0;
      pen.globalAlpha = 0.25 + 0.75 * depth;
      pen.fillStyle = marked ? inks.text : inks.line;
      const inset = marked ? 5 : 12;
      pen.fillRect(place - depth * (marked ? 1.5 : 1), top + inset, depth * (marked ? 3 : 2), bottom - top - 2 * inset);
    }
    pen.globalAlpha = 1;
    pen.fillStyle = inks.text;
    pen.beginPath();
    pen.moveTo(middle, top - 2);
    pen.lineTo(middle - 5, top - 9);
    pen.lineTo(middle + 5, top - 9);
    pen.fill();
  }

  close() {
    this.sitting.views.delete(this);
    this.stop.abort();
  }
}

// ------------------------------------------------------------------ the widget

export default {
  initialize({ model }) {
    const { id } = model.get("_setup");
    sittings.set(id, new Sitting(model));
    return () => sittings.delete(id);
  },
  render({ model, el }) {
    const sitting = sittings.get(model.get("_setup").id);
    const view = new View(sitting, el);
    sitting.views.add(view);
    sitting.wake();
    return () => view.close();
  },
};
