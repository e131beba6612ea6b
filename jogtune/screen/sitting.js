// One sitting and its clock: what happens at the next frame, what is kept, what the kernel is told.
//
// It belongs to the model, not to a view: showing the widget twice shows one sitting. `host` is where it runs: {tell(message,
// buffers) -> whether it could be told, save(sitting)}; a notebook tells its kernel, a page of its own writes files.

const BEAT_MS = 1000;
const PERIOD_S = 0.5;  // over which the turn rate is counted

export class Sitting {
  constructor(host, setup) {
    Object.assign(this, { host, setup, views: new Set(), keep: new Keep(), frame: 0, over: false, saved: 0 });
    this.heard = setup.turn ?? { number: 0, total: 0 };  // number and running total of a real hand control
    Sitting.all.add(this);
    this.earlier = [];
    this.begin(null);
    this.look();
    this.beat = setInterval(() => this.look(), BEAT_MS);
    this.leave = () => this.rest();
    addEventListener("pagehide", this.leave);
  }

  get shown() {
    return !this.over && this.views.size > 0;
  }

  /** Say that this sitting is on show, and see what was left: the same one is taken up where nothing was turned yet. */
  look() {
    this.keep.alive(this.shown);
    const onShow = [this, ...Sitting.all].filter((one) => one === this || one.shown).map((one) => one.began);
    const found = this.keep.left().filter((one) => !onShow.includes(one.began) && one.setup.labels?.title === this.setup.labels.title);
    if (found.map((one) => one.began).join() === this.looked) return;
    this.looked = found.map((one) => one.began).join();
    const print = printOf(this.setup);
    const same = found.filter((one) => printOf(one.setup) === print).at(-1);
    if (same && !this.session.number && !this.anew) this.begin(same);
    this.earlier = found.filter((one) => one.began !== this.began);
    for (const view of this.views) view.show(this.session);
    this.wake();
  }

  /** Begin: anew, or with what was left. */
  begin(left) {
    this.session = new Session(this.setup);
    this.began = left ? left.began : performance.timeOrigin + performance.now();  // by this the kernel tells sittings apart
    this.origin = this.began - performance.timeOrigin;
    this.sent = [];  // every row ever sent, kept in case the kernel asks again
    this.keep.open(this.began, this.setup);
    this.left = left ?? null;
    this.saved = left?.state.saved ?? 0;
    if (!left) return;
    for (const other of Sitting.all) if (other !== this && other.began === left.began) other.over = true;  // its rows go on here
    this.session.restore(left.state.session, Math.max(this.clock(), left.rows.at(1 - COLUMNS)));
    this.sent.push(new Float64Array(left.rows));
    this.keep.add(left.rows, this.state());
    this.host.tell(this.named({ kind: "rows" }), [this.sent[0].buffer.slice(0)]);
  }

  /** Leave what was taken up; its rows stay among the earlier ones until they are saved or let go. */
  beginAnew() {
    this.keep.alive(false);
    Object.assign(this, { anew: true, looked: null });
    this.begin(null);
    this.look();
  }

  goOn() {
    this.left = null;
    this.session.goOn(this.clock());
    this.wake();
  }

  state() {
    return { session: this.session.kept(), saved: this.saved };
  }

  rows() {
    return this.sent.flatMap((rows) => [...rows]);
  }

  /** Seconds since the sitting began, of now or of an event's own time. */
  clock(stamp = performance.now()) {
    return Math.max(0, (stamp - this.origin) / 1000);
  }

  turn(detents, stamp) {
    if (this.left) this.goOn();
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
    const quiet = this.session.quiet();
    if (quiet && !this.quiet && this.sent.length) this.tell({ kind: "rest" });
    this.quiet = quiet;
    if (!quiet) this.wake();
  }

  flush() {
    const rows = this.session.takeRows();
    if (!rows.length || this.over) return;
    this.sent.push(rows);
    this.keep.add(rows, this.state());
    if (this.sent.length === 1) this.keep.alive(true);
    this.tell({ kind: "rows" }, [rows.buffer.slice(0)]);
  }

  named(message) {
    return { id: this.setup.id, began: this.began, ...message };
  }

  /** Tell the kernel. A notebook that is closing, or has lost its kernel, can't be told: the rows stay here. */
  tell(message, buffers = []) {
    return this.host.tell(this.named(message), buffers);
  }

  hear(message) {
    if (message.kind === "turn") this.hearTurn(message);
    if (message.kind === "resend" && this.sent.length) {
      this.sent = [new Float64Array(this.rows())];
      this.tell({ kind: "rows" }, [this.sent[0].buffer.slice(0)]);
    }
    if (message.kind === "saved") this.isSaved(message.rows);
    if (message.kind === "say") for (const view of this.views) view.say(message.text);
    this.wake();
  }

  /** So many rows lie in a file now. */
  isSaved(rows) {
    this.saved = rows;
    this.keep.add([], this.state());
  }

  /** Reports of a real hand control: running totals, so that one message lost, late or doubled changes no click. */
  hearTurn({ reports, number }) {
    if (number <= this.heard.number) return;
    const before = [this.heard.total, ...reports.map(([total]) => total)];
    this.session.live(this.clock(), reports.map(([total, rung], i) => [total - before[i], rung]));
    this.heard = { number, total: before.at(-1) };
    for (const view of this.views) view.note.textContent = WORDS.real;
  }

  /** How many clicks a second the hand turns, over the last half second. */
  turnRate(now) {
    const count = this.session.counted;
    this.history = (this.history || []).filter(([time]) => now - time <= PERIOD_S);
    this.history.push([now, count]);
    const [first, before] = this.history[0];
    return now - first > 0.1 ? (count - before) / (now - first) : 0;
  }

  /** Nobody looks: what was turned is kept, and may be taken up elsewhere, or here again. */
  rest() {
    if (this.over) return;
    this.session.run(this.clock());
    this.flush();
    this.keep.alive(false);
  }

  close() {
    this.rest();
    this.over = true;
    clearInterval(this.beat);
    removeEventListener("pagehide", this.leave);
    Sitting.all.delete(this);
  }
}
Sitting.all = new Set();
