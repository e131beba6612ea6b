// What a person sees and touches: the selector, the axis, and the control in the hand.

function make(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name in node && typeof value !== "string") node[name] = value;
    else node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}
const QUIET = { "data-lm-suppress-shortcuts": "true" };  // a notebook's own keys stay out of it
const KEY_PUSH = 0.4;  // how far an arrow key pushes the stick; with Shift to its end

export class View {
  constructor(sitting, root) {
    Object.assign(this, { sitting, setup: sitting.setup, session: sitting.session, root, tick: new Tick(), rim: 0 });
    this.notches = new Notches(sitting.keep.once("notch"));
    this.stop = new AbortController();
    this.build();
    this.listen();
    this.watchTheme();
    this.watchSize();
    Object.assign(root, { session: this.session, sitting });  // for tests and the curious
  }

  /** Another session of the same sitting. */
  show(session) {
    this.session = this.root.session = session;
    this.shown = this.told = null;
    this.offer();
  }

  // ---------------------------------------------------------------- its parts

  build() {
    const { labels } = this.setup;
    this.root.classList.add("jogtune-knob");
    this.goalLine = make("div", { class: "jk-goal" });
    this.cells = [0, 1, 2, 3].map(() => make("span"));
    this.note = make("div", { class: "jk-note" }, WORDS.note);
    this.status = make("div", { class: "jk-status", role: "status", "aria-live": "polite" });
    this.offers = make("div", { class: "jk-offers" });
    this.revealBox = make("div", { class: "jk-reveal" });
    this.selector = make("fieldset", { class: "jk-selector" });
    const strip = make("canvas", { class: "jk-strip", "aria-hidden": "true" });
    this.strips = new Strips(strip, this.setup);
    const axis = make("div", { class: "jk-axis" }, strip, make("div", { class: "jk-readout" }, ...this.cells));
    this.root.append(
      make("div", { class: "jk-head" }, make("strong", {}, labels.title), this.goalLine), this.offers,
      make("div", { class: "jk-body" }, this.selector, axis, this.buildHand()), this.buildFoot(), this.status, this.revealBox, this.note);
    this.offer();
    this.say(WORDS.hint[this.session.control]);
  }

  button(text, action, more = {}) {
    const node = make("button", { type: "button", ...QUIET, ...more }, text);
    node.addEventListener("click", action);
    return node;
  }

  box(text, action, checked = false) {
    const input = make("input", { type: "checkbox", checked, ...QUIET });
    input.addEventListener("change", () => action(input.checked));
    return [input, make("label", { class: "jk-box" }, input, text)];
  }

  radio(name, text, checked, action, ...more) {
    const input = make("input", { type: "radio", name: `${name}-${this.tag}`, checked, ...QUIET });
    input.addEventListener("change", action);
    return make("label", { class: "jk-rung" }, input, make("span", { class: "jk-key" }, text), ...more);
  }

  get tag() {
    this.ownTag ??= Math.random().toString(36).slice(2, 8);
    return this.ownTag;
  }

  /** Knob, lever and buttons; one of them is shown. */
  buildHand() {
    const { axis } = this.setup.labels;
    const face = make("canvas", { "aria-hidden": "true" });
    this.face = new Face(face, this.setup.knob);
    const says = { "aria-valuemin": "0", "aria-valuemax": String(this.setup.reach), role: "slider", tabIndex: 0, ...QUIET };
    this.knob = make("div", {
      class: "jk-knob", "data-jogtune-control": "knob", ...says,
      "aria-label": `Hand knob of ${axis}. Arrow keys turn it one click, 1 to 9 choose the distance per click.`,
    }, face);
    this.lever = make("div", { class: "jk-lever" });
    this.stick = make("div", {
      class: "jk-stick", "data-jogtune-control": "stick", ...says,
      "aria-label": `Stick of ${axis}. Arrow keys push it while they are held, with Shift all the way.`,
    }, this.lever);
    const press = (way, text, said) => this.button(text, (event) => this.sitting.turn(way, event.timeStamp),
      { class: "jk-press", "data-jogtune-control": "button", "aria-label": `${said}, ${axis}` });
    this.presses = make("div", { class: "jk-presses" }, press(-1, "−", "One step back"), press(1, "+", "One step on"));
    this.hands = { knob: this.knob, stick: this.stick, buttons: this.presses };
    const { controls } = this.setup;
    this.choices = controls.map((name) => this.radio("control", name, false, () => this.act((now) => this.take(name, now))));
    const choose = controls.length > 1 ? [make("div", { class: "jk-controls" }, ...this.choices)] : [];
    return make("div", { class: "jk-hand" }, ...choose, ...controls.map((name) => this.hands[name]));
  }

  /** The positions upright, coarsest on top; a blind sitting shows their numbers only. */
  fillSelector() {
    const { session, setup } = this;
    const { control, ladder } = session;
    this.shown = `${control} ${ladder} ${session.task}`;
    const labels = control === "buttons" ? setup.labels.steps : control === "stick" ? [] : setup.labels.rungs[ladder];
    const rungs = labels.map((label, i) => this.radio("rung", String(i + 1), false, () => this.choose(i + 1),
      make("span", { class: "jk-gain" }, label)));
    this.radios = rungs.map((rung) => rung.querySelector("input"));
    const several = setup.ladders.length > 1;
    const letter = "AB"[setup.swapped ? 1 - ladder : ladder];
    const legend = control === "buttons" ? "per press" : several ? `ladder ${letter}` : "per click";
    this.selector.replaceChildren(make("legend", {}, legend), ...rungs.reverse());
    this.selector.hidden = !labels.length;
    for (const [name, node] of Object.entries(this.hands)) node.hidden = name !== control;
    setup.controls.forEach((name, i) => { this.choices[i].querySelector("input").checked = name === control; });
  }

  buildFoot() {
    const { setup } = this;
    this.startButton = this.button(WORDS.start, () => this.start());
    this.skipButton = this.button(WORDS.skip, () => this.act((now) => this.session.skip(now)));
    this.notchButton = this.button(WORDS.notch, () => this.askNotch());
    this.saveButton = this.button(WORDS.save, () => this.sitting.host.save(this.sitting, this));
    this.otherButton = this.button(WORDS.other, () => this.act(() => this.session.chooseLadder((this.session.ladder + 1) % setup.ladders.length)));
    const [limits, limitsLabel] = this.box(WORDS.limits, (on) => this.act((now) => this.session.limitsOn(on, now)), true);
    this.limitsBox = limits;
    const [, sound] = this.box(WORDS.sound, (on) => this.tick.hear(on));
    const [, felt] = this.box(WORDS.felt, (on) => { this.tick.felt = on; });
    felt.hidden = typeof navigator.vibrate !== "function" || !matchMedia("(pointer: coarse)").matches;
    this.otherButton.hidden = setup.ladders.length < 2 || setup.blind;
    this.startButton.hidden = this.skipButton.hidden = !setup.tasks.length;
    return make("div", { class: "jk-foot" }, this.startButton, this.skipButton, this.otherButton, limitsLabel, sound, felt,
      this.notchButton, this.saveButton);
  }

  /** What was left unsaved, and what to do with it. */
  offer() {
    const { sitting } = this;
    const clicks = (one) => one.state.session.counted;
    const lines = [];
    if (sitting.left) {
      lines.push(make("div", {}, WORDS.left(clicks(sitting.left), ago(sitting.left.began)),
        this.button(WORDS.goOn, () => { sitting.goOn(); this.offer(); this.focus(); }),
        this.button(WORDS.anew, () => sitting.beginAnew())));
    }
    for (const one of sitting.earlier) {
      const done = () => { sitting.keep.drop(one.began); sitting.look(); };
      lines.push(make("div", {}, WORDS.earlier(clicks(one), ago(one.began)),
        this.button(WORDS.saveOld, () => { const name = fileName(one.setup, `earlier_${Math.round(one.began)}`); download(logText(one.setup, one.rows), name); this.say(WORDS.saved(name)); done(); }),
        this.button(WORDS.letGo, done)));
    }
    if (!sitting.keep.works) lines.push(make("div", {}, WORDS.full));
    this.offers.replaceChildren(...lines);
    this.offered = sitting.left;
  }

  // ---------------------------------------------------------------- what a person does

  focus() {
    const hand = this.hands[this.session.control];
    (hand.tabIndex === 0 ? hand : hand.lastChild).focus({ preventScroll: true });
  }

  listen() {
    const on = (target, type, action, options = {}) =>
      target.addEventListener(type, action, { signal: this.stop.signal, ...options });
    on(this.root, "wheel", (event) => this.onWheel(event), { passive: false });
    on(this.root, "keydown", (event) => this.onKey(event));
    on(this.stick, "keyup", () => this.hold(0));
    on(this.stick, "blur", () => this.hold(0));
    on(this.knob, "pointerdown", (event) => this.onGrip(event));
    on(this.knob, "pointermove", (event) => this.onDrag(event));
    on(this.stick, "pointerdown", (event) => this.onLever(event));
    on(this.stick, "pointermove", (event) => { if (this.pulling) this.onLever(event); });
    for (const type of ["pointerup", "pointercancel", "lostpointercapture"]) {
      on(this.knob, type, () => { this.grip = null; });
      on(this.stick, type, () => { this.pulling = false; this.hold(0); });
    }
  }

  turn(clicks, event) {
    if (!clicks) return;
    this.sitting.turn(clicks, event.timeStamp);
    this.tick.now();
  }

  /** The wheel turns the knob while the knob has the focus; else the page scrolls as it should. */
  onWheel(event) {
    if (document.activeElement !== this.knob || event.ctrlKey) return;
    event.preventDefault();
    event.stopPropagation();
    if (!this.wantsNotch) return this.turn(this.notches.clicks(event), event);
    this.notches.calibrate(event, (pixels) => {
      this.wantsNotch = false;
      this.sitting.keep.once("notch", pixels);
      this.say(WORDS.isNotch(pixels));
    });
  }

  onKey(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const way = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
    const onHand = Object.values(this.hands).some((hand) => hand.contains(event.target));
    if (way && event.target === this.stick) this.hold(way * (event.shiftKey ? 1 : KEY_PUSH));
    else if (way && onHand) this.turn(way, event);
    else if (/^[1-9]$/.test(event.key)) this.choose(Number(event.key));
    else if (!onHand || !["PageUp", "PageDown"].includes(event.key)) return;
    else this.choose(this.session.rung + (event.key === "PageUp" ? 1 : -1));
    event.preventDefault();
    event.stopPropagation();
  }

  onGrip(event) {
    if (event.button) return;
    this.knob.focus({ preventScroll: true });
    this.knob.setPointerCapture(event.pointerId);
    this.grip = new Grip(event, this.knob.getBoundingClientRect(), this.setup.knob.detents);
    this.face.regrasp(this.session.turned);
  }

  onDrag(event) {
    if (this.grip) this.turn(this.grip.clicks(event), event);
  }

  onLever(event) {
    if (event.button > 0) return;
    if (event.type === "pointerdown") {
      this.stick.focus({ preventScroll: true });
      this.stick.setPointerCapture(event.pointerId);
    }
    this.pulling = true;
    const box = this.stick.getBoundingClientRect();
    const push = (event.clientX - box.left - box.width / 2) / (box.width / 2 - 22);
    this.hold(Math.min(Math.max(push, -1), 1));
  }

  hold(push) {
    if (push === this.session.held) return;
    if (this.sitting.left) this.sitting.goOn();
    this.act((now) => this.session.hold(push, now));
  }

  act(action) {
    action(this.sitting.clock());
    this.sitting.wake();
  }

  choose(rung) {
    this.act((now) => this.session.choose(rung, now));
  }

  take(control, now) {
    this.session.take(control, now);
    this.say(WORDS.hint[control]);
  }

  start() {
    if (this.session.running) return;
    this.limitsBox.checked = true;
    this.revealBox.replaceChildren();
    this.act((now) => {
      this.session.limitsOn(true, now);
      this.session.begin(now);
    });
    this.focus();
  }

  askNotch() {
    this.wantsNotch = true;
    this.knob.focus({ preventScroll: true });
    this.say(WORDS.turnNotch);
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

  tell(now, x) {
    const { session, setup } = this;
    const rate = this.sitting.turnRate(now);
    const owed = session.axis.target - x;
    const moving = Math.abs(owed) > 1e-9;
    const letGo = session.axis.lost ? `, ${session.axis.lost} clicks let go` : "";
    const rest = session.axis.stopped ? WORDS.atStop : "at rest";
    const pace = session.control === "stick" ? "" : `${rate.toFixed(0)} clicks/s${letGo}`;
    const texts = setup.blind ? ["", "", moving ? "running" : rest, pace] : [
      `at ${this.number(x)}`,
      session.goal ? `to the goal ${this.number(session.goal.goal - x, true)}` : "no goal",
      moving ? `still to run ${this.number(owed, true)}` : rest,
      pace,
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
    for (const choice of this.choices) choice.querySelector("input").disabled = session.running;
    const practice = setup.tasks.filter((task) => task.practice).length;
    const counted = goal?.practice ? `Practice ${session.task + 1} of ${practice}`
      : `Goal ${session.task + 1 - practice} of ${setup.tasks.length - practice}`;
    const by = setup.controls.length > 1 && goal ? ` · with the ${session.control}` : "";
    const within = !goal || setup.blind ? "come to rest in the band" : `come to rest within ±${this.number(goal.tolerance / 2)}`;
    const line = goal ? `${counted} · ${goal.kind}${by} · ${within}` : "";
    if (this.goalLine.textContent !== line) this.goalLine.textContent = line;
    this.tellDone(session);
  }

  tellDone({ results, running, task }) {
    const done = results.length;
    if (done === (this.told ?? 0)) return;
    this.told = done;
    const last = results[done - 1];
    if (!last) return;
    const all = task + 1 === this.setup.tasks.length;
    this.say((last.how === "reached" ? WORDS.reached(last.time) : WORDS.skipped) + (all ? ` ${WORDS.last}` : ""));
    if (all) this.revealBox.replaceChildren(...reveal(this.setup, results).map((text) => make("p", {}, text)));
  }

  /** Screen readers get the position when it rests, and no more than twice a second. */
  tellReaders(now, x) {
    if (now - (this.toldReaders ?? -1) < 0.5 && !this.session.quiet()) return;
    this.toldReaders = now;
    const { session, setup } = this;
    const { goal } = session;
    const away = goal ? goal.goal - x : 0;
    const widths = `${away < 0 ? "−" : "+"}${Math.abs(away / (goal?.tolerance ?? 1)).toFixed(1)} widths of the band to the goal`;
    const text = setup.blind ? (goal ? widths : "no goal") : this.number(x) + (goal ? `, ${this.number(away, true)} to the goal` : "");
    for (const hand of [this.knob, this.stick]) {
      hand.setAttribute("aria-valuenow", setup.blind ? "0" : x.toFixed(6));
      hand.setAttribute("aria-valuetext", text);
    }
  }

  // ---------------------------------------------------------------- drawing

  watchTheme() {
    const read = () => {
      this.root.classList.toggle("jk-dark", pageIsDark());
      this.strips.inks = this.face.inks = INKS[pageIsDark() ? "dark" : "light"];
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
    eye.observe(this.root);
    this.stop.signal.addEventListener("abort", () => eye.disconnect());
  }

  draw(now) {
    if (!this.root.isConnected) return;
    const { session } = this;
    if (this.shown !== `${session.control} ${session.ladder} ${session.task}`) this.fillSelector();
    if (this.offered !== this.sitting.left) this.offer();
    const radio = this.radios[session.rung - 1];
    if (radio && !radio.checked) radio.checked = true;
    this.limitsBox.checked = !session.axis.free;
    this.drawnAt = now;
    const [x] = session.axis.at(now);
    this.tell(now, x);
    this.paint(x);
  }

  paint(x) {
    const { session } = this;
    this.rim = session.turned;
    this.strips.paint(session, x);
    if (session.control === "knob") this.face.paint(this.rim);
    if (session.control === "stick") this.lever.style.transform = `translateX(${session.held * (this.stick.clientWidth / 2 - 22)}px)`;
  }

  close() {
    this.sitting.views.delete(this);
    if (!this.sitting.views.size) this.sitting.rest();
    this.stop.abort();
  }
}
