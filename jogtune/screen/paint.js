// What is drawn: the axis on two strips, and the knob from the front.

/** Whether the page is dark, by what its background really is. */
export function pageIsDark() {
  const style = getComputedStyle(document.body);
  const declared = document.body.dataset.jpThemeLight;
  if (declared !== undefined) return declared === "false";
  const [r, g, b, opacity] = (style.backgroundColor.match(/[\d.]+/g) || []).map(Number);
  if (b !== undefined && opacity !== 0) return (0.2126 * r + 0.7152 * g + 0.0722 * b) / 255 < 0.4;
  return matchMedia("(prefers-color-scheme: dark)").matches;
}

// Colours of the Okabe-Ito set, which people with any common colour vision tell apart; each has a shape too.
export const INKS = {
  light: { text: "#1f2328", soft: "#5b636d", line: "#9aa2ab", faint: "#e3e6e9", page: "#ffffff",
    axis: "#0063a0", asked: "#b34700", goal: "#006f50", goalFill: "rgba(0,111,80,.13)" },
  dark: { text: "#e8eaed", soft: "#a9b1ba", line: "#6d757f", faint: "#2f353c", page: "#16191d",
    axis: "#56b4e9", asked: "#f0a03c", goal: "#35c79a", goalFill: "rgba(53,199,154,.2)" },
};

/** A canvas as large as it is shown, at the screen's own density; null where it isn't shown. */
function penOf(canvas) {
  const { clientWidth: width, clientHeight: height } = canvas;
  const density = window.devicePixelRatio || 1;
  if (!width || !height) return null;
  const [across, down] = [Math.round(width * density), Math.round(height * density)];
  if (canvas.width !== across || canvas.height !== down) Object.assign(canvas, { width: across, height: down });
  const pen = canvas.getContext("2d");
  pen.setTransform(density, 0, 0, density, 0, 0);
  pen.clearRect(0, 0, width, height);
  return { pen, width, height };
}

/** The axis: the whole of it, and a piece of it enlarged. */
export class Strips {
  constructor(canvas, setup) {
    Object.assign(this, { canvas, setup, inks: INKS.light });
  }

  paint(session, x) {
    this.session = session;
    const sheet = penOf(this.canvas);
    if (!sheet) return;
    const { pen, width } = sheet;
    pen.font = "12px system-ui, sans-serif";
    const whole = { left: 14, right: width - 14, y: 46, from: 0, to: this.setup.reach };
    const near = this.nearStrip(x, width);
    this.paintLens(pen, whole, near);
    this.paintStrip(pen, whole, x, "the whole axis");
    this.paintStrip(pen, near, x, session.goal ? "near the goal" : "near the axis");
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
    return { left: 14, right: width - 14, y: 138, from: centre - half, to: centre + half };
  }

  paintLens(pen, whole, near) {
    const at = (place) => Math.min(Math.max(this.at(whole, place), whole.left), whole.right);
    pen.fillStyle = this.inks.faint;
    pen.beginPath();
    pen.moveTo(at(near.from), whole.y + 14);
    pen.lineTo(at(near.to), whole.y + 14);
    pen.lineTo(near.right + 6, near.y - 50);
    pen.lineTo(near.left - 6, near.y - 50);
    pen.fill();
    pen.beginPath();
    pen.roundRect(near.left - 6, near.y - 50, near.right - near.left + 12, 78, [0, 0, 6, 6]);
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
    this.paintStops(pen, strip);
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
      const text = (i * step).toFixed(decimals) + (i === 0 && strip.from === 0 ? ` ${name}` : "");
      if (!this.setup.blind) pen.fillText(text, edge, strip.y + 19);
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

  /** Where the machine ends: a post, hatched on the far side; filled where the last click ran into it. */
  paintStops(pen, strip) {
    const { inks, session, setup } = this;
    for (const [place, way] of [[0, -1], [setup.reach, 1]]) {
      const at = this.at(strip, place);
      if (at < strip.left - 1 || at > strip.right + 1) continue;
      pen.fillStyle = session.axis.stopped === way ? inks.asked : inks.soft;
      pen.fillRect(way < 0 ? at - 3 : at, strip.y - 24, 3, 30);
      pen.strokeStyle = pen.fillStyle;
      pen.lineWidth = 1;
      pen.beginPath();
      for (let y = -22; y <= 4; y += 6) {
        pen.moveTo(at + way * 3, strip.y + y);
        pen.lineTo(at + way * 9, strip.y + y + 5);
      }
      pen.stroke();
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
}

/** The knob from the front: ridges and a mark that turn with the hand, detent by detent, and how far one grasp turns it. */
export class Face {
  constructor(canvas, { detents, grasp }) {
    Object.assign(this, { canvas, detents, grasp: Math.round((grasp / 360) * detents), inks: INKS.light, from: 0, at: 0 });
  }

  /** The hand has taken hold anew. */
  regrasp(turned) {
    this.from = this.at = turned;
  }

  paint(turned) {
    const sheet = penOf(this.canvas);
    if (!sheet) return;
    const { pen, width, height } = sheet;
    const radius = Math.min(width, height) / 2 - 12;
    pen.translate(width / 2, height / 2);
    this.paintGrasp(pen, turned, radius + 7);
    this.paintBody(pen, turned, radius);
  }

  angle(clicks) {
    return (2 * Math.PI * clicks) / this.detents - Math.PI / 2;
  }

  /** One grasp turns a knob so far; then the fingers let go and take hold again, where the arc begins anew. */
  paintGrasp(pen, turned, radius) {
    if (this.grasp >= this.detents) return;
    if (Math.sign(turned - this.at) * (this.at - this.from) < 0) this.from = this.at;
    while (Math.abs(turned - this.from) > this.grasp) this.from += Math.sign(turned - this.from) * this.grasp;
    this.at = turned;
    const way = turned < this.from ? -1 : 1;
    pen.lineWidth = 3;
    for (const [to, ink] of [[this.from + way * this.grasp, this.inks.faint], [turned, this.inks.asked]]) {
      pen.strokeStyle = ink;
      pen.beginPath();
      pen.arc(0, 0, radius, this.angle(this.from), this.angle(to), way < 0);
      pen.stroke();
    }
  }

  paintBody(pen, turned, radius) {
    const { inks, detents } = this;
    pen.fillStyle = inks.faint;
    pen.strokeStyle = inks.line;
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.arc(0, 0, radius, 0, 2 * Math.PI);
    pen.fill();
    pen.stroke();
    for (let i = 0; i < detents; i += 1) {
      const angle = this.angle(i + turned);
      const long = i % 10 === 0;
      pen.strokeStyle = long ? inks.soft : inks.line;
      pen.lineWidth = long ? 2 : 1;
      pen.beginPath();
      pen.moveTo(Math.cos(angle) * (radius - 3), Math.sin(angle) * (radius - 3));
      pen.lineTo(Math.cos(angle) * (radius - (long ? 15 : 9)), Math.sin(angle) * (radius - (long ? 15 : 9)));
      pen.stroke();
    }
    pen.fillStyle = inks.page;
    pen.strokeStyle = inks.line;
    pen.beginPath();
    pen.arc(0, 0, radius * 0.66, 0, 2 * Math.PI);
    pen.fill();
    pen.stroke();
    const mark = this.angle(turned);
    pen.fillStyle = inks.axis;
    pen.beginPath();
    pen.arc(Math.cos(mark) * radius * 0.5, Math.sin(mark) * radius * 0.5, radius * 0.09, 0, 2 * Math.PI);
    pen.fill();
  }
}
