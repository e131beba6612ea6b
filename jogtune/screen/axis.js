// The axis that answers the knob, in the browser: jogtune/axis/pursuit.py and follow.py, line by line.
//
// No page, no clock, no chance: times come in, positions go out, so that it can be tested without a browser.
// Units: mm, s, mm/s, mm/s² (degrees for mm on a rotary axis).

const CLICK_SLACK = 1e-9;  // a click that fits but for rounding, fits
const TINY = 1e-200;  // keeps a division by a resting speed finite; the quotient is clipped afterwards

/** Where an axis is, and how fast, after `dt` of aiming for rest at a fixed target: [position, speed].
 *
 * Speeds and distances are divided by the ramp, so that a speed is the time it takes to brake from it.
 */
export function pursueOnce(x, v, target, top, ramp, dt) {
  const stop = (v * Math.abs(v)) / (2 * ramp);  // braking now would end here, counted from x
  const side = target - x >= stop ? 1 : -1;  // the way to push; from here on that way is positive
  const speed = (side * v) / ramp;
  let away = (side * (target - x)) / ramp;
  const peak = Math.min(Math.sqrt(Math.max(away + 0.5 * speed * speed, 0)), top / ramp);
  const change = Math.min(Math.max(peak - speed, -dt), dt);  // phase 1: ramp to the peak
  const time1 = Math.abs(change);
  const speed1 = speed + change;
  away -= 0.5 * (speed + speed1) * time1;
  let left = dt - time1;
  let time2 = (away - 0.5 * speed1 * speed1) / Math.max(speed1, TINY);  // phase 2: cruise at the peak
  time2 = Math.min(Math.max(time2, 0), left);
  left -= time2;
  const brake = Math.max(speed1, 0);
  if (left > brake) return [target, 0];
  const time3 = Math.min(left, brake);  // phase 3: brake
  const speed3 = speed1 - time3;
  away = away - speed1 * time2 - 0.5 * (speed1 + speed3) * time3;
  return [target - side * away * ramp, side * speed3 * ramp];
}

/** An axis that chases the reports of a hand control under its limits, link and the controller's habit.
 *
 * `limits`: {top, ramp, interval, delay, habit: "owe" | "forgive" | "limit", limit, move: "dash" | "spread", from, to}: its
 * stops are at `from` and `to` (none where left out), and clicks that would lead beyond are dropped. Reports arrive
 * `delay` after they are sent. The state is kept at the last arrival and every position is worked out from
 * there, so that how often the screen is drawn changes nothing.
 */
export class Axis {
  constructor(limits, start) {
    Object.assign(this, { from: -Infinity, to: Infinity }, limits);
    this.time = 0;
    this.x = start;
    this.v = 0;
    this.target = start;
    this.cap = this.top;
    this.lost = 0;  // clicks that the habit dropped
    this.stopped = 0;  // the way of the last report that a stop cut short: -1, 1, or 0
    this.coming = [];  // reports under way
    this.free = false;  // the limits are switched off: the axis is where it was told to be
  }

  /** A report of `detents` clicks of `gain` each, sent at `time`. */
  report(time, detents, gain) {
    this.coming.push({ time: this.free ? time : time + this.delay, detents, gain });
  }

  /** Position and speed at `time`; reports that have arrived by then are taken in. */
  at(time) {
    while (this.coming.length && this.coming[0].time <= time) this.arrive(this.coming.shift());
    return this.state(time);
  }

  state(time) {
    if (this.free) return [this.target, 0];
    return pursueOnce(this.x, this.v, this.target, this.cap, this.ramp, Math.max(0, time - this.time));
  }

  arrive({ time, detents, gain }) {
    [this.x, this.v] = this.state(time);
    this.time = time;
    const kept = this.habit !== "owe" && !this.free ? this.keep(detents, gain) : detents;
    this.lost += Math.abs(detents - kept);
    const room = (kept > 0 ? this.to - this.target : this.target - this.from) / gain;
    const within = Math.sign(kept) * Math.min(Math.abs(kept), Math.max(0, Math.floor(room + CLICK_SLACK)));
    if (kept) this.stopped = within === kept ? 0 : Math.sign(kept);
    this.target += within * gain;
    if (this.free) this.x = this.target;
    this.cap = this.move === "spread"
      ? Math.min(this.top, Math.abs(this.target - this.x) / this.interval) : this.top;
  }

  /** How many clicks of a report are kept: those within the limit, or near where braking now would end. */
  keep(detents, gain) {
    const way = Math.sign(detents);
    const limited = this.habit === "limit";
    const ahead = limited ? this.x : this.x + (this.v * Math.abs(this.v)) / (2 * this.ramp);
    const room = way * (ahead - this.target) + (limited ? this.limit : Math.max(this.top * this.interval, gain));
    return way * Math.min(Math.max(Math.floor(room / gain + CLICK_SLACK), 0), Math.abs(detents));
  }

  /** Whether the axis rests at its target with no clicks under way. */
  resting(time) {
    if (this.coming.some((report) => report.detents)) return false;
    const [x, v] = this.state(time);
    return v === 0 && x === this.target;
  }
}
