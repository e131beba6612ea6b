// One sitting at the on-screen knob: clicks become reports, reports move the axis, goals are judged, and
// every report that says something becomes one row of the log.
//
// Nothing is judged between reports: a goal appears, and counts, at the time of a report, so that the log
// alone tells the whole story. Times are seconds since the sitting began.

export const MARKERS = {
  none: 0, shown: 1, reached: 2, skipped: 3, limitsOff: 4, limitsOn: 5, practiceShown: 6, practiceReached: 7,
  practiceSkipped: 8,
};
export const COLUMNS = 11;  // number, time, detents, rung, gain, position, goal, tolerance, ladder, task, marker
const REST_S = 0.5;  // after the axis has stopped, reports are written for so long
const ROUNDING = 1e-9;  // mm: a rest on the very edge of the tolerance counts
const PAUSE_S = 0.8;  // between a goal that counted and the next one

/** A goal is met within half its tolerance to either side, as in the log's column tolerance_mm.
 *
 * `setup`: {limits, start, ladders: [[gain, ...], ...], tasks: [{goal, tolerance, ladder, practice}], dwell}.
 */
export class Session {
  constructor(setup) {
    this.setup = setup;
    this.axis = new Axis(setup.limits, setup.start);
    this.interval = setup.limits.interval;
    this.tick = 0;  // reports sealed so far
    this.sealed = 0;  // time of the last report
    this.clicks = [];  // {time, detents, rung, gain} not yet in a report
    this.turned = 0;  // all clicks so far, signed
    this.counted = 0;  // all clicks so far, unsigned
    this.rung = 1;
    this.ladder = 0;
    this.control = (setup.controls ?? ["knob"])[0];
    this.held = 0;  // how far the stick is pushed, -1 to 1
    this.task = -1;  // index of the goal on show or last shown
    this.showing = false;
    this.running = false;
    this.restedSince = null;
    this.nextAt = null;
    this.results = [];
    this.notes = [];  // markers for the next report, each with the goal it speaks of
    this.restRows = Math.max(1, Math.ceil(REST_S / setup.limits.interval));
    this.rested = this.restRows;  // reports since the axis last moved
    this.rows = [];
    this.number = 0;
  }

  get gains() { return this.control === "buttons" ? this.setup.buttons : this.setup.ladders[this.ladder]; }
  get gain() { return this.gains[this.rung - 1]; }
  get goal() { return this.showing ? this.setup.tasks[this.task] : null; }

  /** One or more clicks of the hand; with the limits off they act at once. */
  click(time, detents) {
    if (this.quiet()) this.skipTo(time);
    this.clicks.push({ time, detents, rung: this.rung, gain: this.gain });
    this.turned += detents;
    this.counted += Math.abs(detents);
    if (this.axis.free) this.sealNow(time);
  }

  /** Reports [detents, rung or null] of a real hand control, which keeps its own beat: they count at once. */
  live(time, reports) {
    for (const [detents, rung] of reports) {
      if (rung) this.choose(rung, time);
      if (detents) this.click(time, detents);
    }
    this.sealNow(time);
  }

  /** The selector is turned: reports due before that still tell the old rung. */
  choose(rung, time) {
    this.run(time);
    this.select(rung);
  }

  select(rung) {
    this.rung = Math.min(Math.max(1, rung), this.gains.length);
  }

  chooseLadder(ladder) {
    if (this.running || ladder >= this.setup.ladders.length) return;
    this.ladder = ladder;
    this.select(this.rung);
  }

  /** Another control in the hand: from here on the selector is its own. */
  take(control, time) {
    this.run(time);
    this.hold(0, time);
    this.control = control;
    this.select(this.rung);
  }

  /** The stick is pushed so far, -1 to 1: until it is let go, each report asks for the way of its interval. */
  hold(deflection, time) {
    if (deflection && this.quiet()) this.skipTo(time);
    this.held = deflection;
  }

  /** Speed [mm/s] that the stick asks for. */
  get asked() {
    const { dead, exponent, top } = this.setup.stick ?? { dead: 0, exponent: 1, top: 0 };
    return top * Math.max(0, (Math.abs(this.held) - dead) / (1 - dead)) ** exponent;
  }

  begin(time) {
    if (!this.setup.tasks.length || this.running) return;
    Object.assign(this, { running: true, task: -1, showing: false, nextAt: time, results: [] });
  }

  skip(time) {
    if (this.showing) this.end("skipped", time);
  }

  limitsOn(on, time) {
    if (this.axis.free === !on) return;
    this.run(time);
    this.settle();
    this.axis.free = !on;
    this.note(on ? "limitsOn" : "limitsOff");
  }

  /** Put the axis where it was told to be; the switch of the limits does not leave it half way. */
  settle() {
    const { axis } = this;
    for (const report of axis.coming.splice(0)) axis.target += report.detents * report.gain;
    Object.assign(axis, { x: axis.target, v: 0, time: this.sealed, cap: axis.top });
  }

  /** Bring everything up to `now`: every report that was due is sealed, in order. */
  run(now) {
    if (this.quiet()) this.skipTo(now);
    while ((this.tick + 1) * this.interval <= now) {
      this.tick += 1;
      const time = this.tick * this.interval;
      if (time > this.sealed) this.seal(time);
    }
  }

  skipTo(time) {
    this.tick = Math.max(this.tick, Math.floor(time / this.interval));
  }

  /** A report outside the even beat. */
  sealNow(time) {
    this.run(time);
    this.seal(Math.max(time, this.sealed));
  }

  /** Nothing moves, nothing waits, nothing is judged: the beat may skip ahead. */
  quiet() {
    const judging = this.running && (this.nextAt !== null || this.restedSince !== null);
    const waiting = this.clicks.length || this.notes.length || this.held || this.rested < this.restRows;
    return !waiting && !judging && this.axis.resting(this.sealed);
  }

  seal(time) {
    this.axis.move = this.control === "stick" ? "spread" : this.setup.limits.move;
    const [x] = this.axis.at(time);
    const resting = this.axis.resting(time) && !this.asked;
    this.judge(time, x, resting);
    const groups = this.gather(time);
    this.rested = resting ? this.rested + 1 : 0;
    if (!groups.length && (this.rested <= this.restRows || this.notes.length)) {
      groups.push({ detents: 0, rung: this.rung, gain: this.gain });
    }
    for (const group of groups) {
      this.axis.report(time, group.detents, group.gain);
      this.write(time, group, x, this.notes.shift());
    }
    const idle = { detents: 0, rung: this.rung, gain: this.gain };
    while (this.notes.length) this.write(time, idle, x, this.notes.shift());
    this.sealed = time;
  }

  /** Clicks made by `time`, those of one rung together; clicks of two rungs make two rows of one report. */
  gather(time) {
    const groups = [];
    while (this.clicks.length && this.clicks[0].time <= time) {
      const { detents, rung, gain } = this.clicks.shift();
      const last = groups[groups.length - 1];
      if (last && last.gain === gain) last.detents += detents;
      else groups.push({ detents, rung, gain });
    }
    const way = this.control === "stick" ? this.asked * (time - this.sealed) : 0;
    if (way > 0) {
      groups.push({ detents: Math.sign(this.held), rung: 1, gain: Math.min(way, this.asked * this.interval) });
      this.turned += Math.sign(this.held);
      this.counted += 1;
    }
    return groups;
  }

  judge(time, x, resting) {
    if (!this.running) return;
    if (this.nextAt !== null && time >= this.nextAt) return this.show(time);
    const goal = this.goal;
    if (!goal) return;
    const near = Math.abs(x - goal.goal) <= goal.tolerance / 2 + ROUNDING;
    const good = near && resting && !this.clicks.length;
    if (!good) this.restedSince = null;
    else if (this.restedSince === null) this.restedSince = time;
    else if (time - this.restedSince >= this.setup.dwell) this.end("reached", time);
  }

  show(time) {
    this.task += 1;
    this.nextAt = null;
    if (this.task >= this.setup.tasks.length) {
      this.running = false;
      return;
    }
    this.showing = true;
    this.shownAt = time;
    this.restedSince = null;
    this.ladder = this.goal.ladder;
    if (this.control !== (this.goal.control ?? this.control)) Object.assign(this, { control: this.goal.control, held: 0 });
    this.select(this.rung);
    this.mark("shown");
  }

  // ---------------------------------------------------------------- a sitting left and taken up again

  /** All that a page loaded anew has to know to go on; the rows apart. */
  kept() {
    const { number, turned, counted, rung, ladder, control, task, showing, running, results, axis } = this;
    const target = axis.target + [...axis.coming, ...this.clicks].reduce((sum, c) => sum + c.detents * c.gain, 0);
    return { number, turned, counted, rung, ladder, control, task, showing, running, results, target, lost: axis.lost };
  }

  /** Take a sitting up again, at rest where it was told to be; `goOn` shows the goal that was left once more. */
  restore(kept, time) {
    const { target, lost, ...state } = kept;
    Object.assign(this, state, { running: false, showing: false, nextAt: null });
    const place = Math.min(Math.max(target, this.axis.from), this.axis.to);
    Object.assign(this.axis, { target: place, x: place, v: 0, time, lost });
    this.sealed = time;
    this.skipTo(time);
    this.left = kept.running ? kept.task - (kept.showing ? 1 : 0) : null;
    if (kept.running && kept.showing) {
      Object.assign(this, { showing: true, shownAt: time });
      this.mark("skipped");
      this.showing = false;
    }
  }

  goOn(time) {
    if (this.left === null || this.left === undefined) return;
    Object.assign(this, { running: true, task: this.left, nextAt: time, left: null });
  }

  /** The goal on show is over: reached or skipped; the row that says so still names it. */
  end(how, time) {
    this.mark(how);
    this.results.push({ task: this.task, how, time: time - this.shownAt });
    this.showing = false;
    this.restedSince = null;
    this.nextAt = time + PAUSE_S;
  }

  mark(word) {
    this.note(this.goal.practice ? `practice${word[0].toUpperCase()}${word.slice(1)}` : word);
  }

  note(name) {
    this.notes.push({ marker: MARKERS[name], goal: this.goal, task: this.task, ladder: this.ladder });
  }

  write(time, { detents, rung, gain }, x, note) {
    const { marker, goal, task, ladder } = note
      ?? { marker: 0, goal: this.goal, task: this.task, ladder: this.ladder };
    const place = goal ? [goal.goal, goal.tolerance, ladder, task] : [NaN, NaN, ladder, -1];
    this.rows.push(this.number, time, detents, rung, gain, x, ...place, marker);
    this.number += 1;
  }

  /** Rows not yet handed over, as one array of COLUMNS numbers each; they are handed over once. */
  takeRows() {
    return new Float64Array(this.rows.splice(0));
  }
}
