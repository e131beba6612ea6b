// What hands do: wheel, keys, a drag around the knob, a lever, buttons.

const TRACKPAD_PIXELS = 40;  // of a scroll that comes in small pieces
const PIXELS_OF_MODE = [1, 40, 800];  // wheel events count pixels, lines or pages
const NOTCH_MS = 200;  // a notch of a wheel may come in several events
const DEAD_PIXELS = 14;  // so near its middle a knob can't be turned

const pixelsOf = (event) => (Math.abs(event.deltaX) > Math.abs(event.deltaY) ? event.deltaX : event.deltaY)
  * PIXELS_OF_MODE[event.deltaMode];

/** Turns wheel events into clicks: one notch of a wheel is one click, a trackpad's trickle is gathered. */
export class Notches {
  /** `pixels` of one notch, where the person has set them. */
  constructor(pixels = null) {
    this.pixels = pixels;
    this.fixed = pixels !== null;
    this.gathered = 0;
  }

  /** Signed clicks of one event; scrolling down or right is positive. */
  clicks(event) {
    const pixels = pixelsOf(event);
    const whole = Math.abs(pixels) >= (this.fixed ? 0.75 * this.pixels : 50);
    if (!whole) return this.gather(pixels, this.fixed ? this.pixels : TRACKPAD_PIXELS);
    if (!this.fixed) this.learn(Math.abs(pixels));
    this.gathered = 0;
    return Math.sign(pixels) * Math.max(1, Math.round(Math.abs(pixels) / this.pixels));
  }

  gather(pixels, notch) {
    if (pixels * this.gathered < 0) this.gathered = 0;
    this.gathered += pixels;
    const clicks = Math.trunc(this.gathered / notch + Math.sign(pixels) * 1e-3);
    this.gathered -= clicks * notch;
    return clicks;
  }

  learn(pixels) {
    const likely = [100, 120].find((size) => pixels % size === 0) ?? pixels;
    this.pixels = Math.min(this.pixels ?? likely, likely);
  }

  /** Take what comes within a moment as one notch, from now on; `done(pixels)` when it has come. */
  calibrate(event, done) {
    this.coming = (this.coming ?? 0) + pixelsOf(event);
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => {
      if (this.coming) Object.assign(this, { pixels: Math.abs(this.coming), fixed: true, gathered: 0 });
      this.coming = 0;
      done(this.pixels);
    }, NOTCH_MS);
  }
}

/** A finger or mouse that drags around the middle of a knob: how many detents it has gone. */
export class Grip {
  constructor(event, box, detents) {
    Object.assign(this, { box, pitch: (2 * Math.PI) / detents, gone: 0 });
    this.angle = this.at(event);
  }

  at(event) {
    const [x, y] = [event.clientX - this.box.left - this.box.width / 2, event.clientY - this.box.top - this.box.height / 2];
    return Math.hypot(x, y) < DEAD_PIXELS ? null : Math.atan2(y, x);
  }

  /** Whole detents since the last time; clockwise is positive. */
  clicks(event) {
    const now = this.at(event);
    if (now === null || this.angle === null) {
      this.angle = now;
      return 0;
    }
    const turned = now - this.angle;
    this.gone += turned - 2 * Math.PI * Math.round(turned / (2 * Math.PI));
    this.angle = now;
    const clicks = Math.trunc(this.gone / this.pitch + Math.sign(this.gone) * 1e-9);
    this.gone -= clicks * this.pitch;
    return clicks;
  }
}

/** A click that is heard and felt, each where the person wants it. */
export class Tick {
  constructor() {
    this.heard = this.felt = false;
  }

  /** Sound can begin only when a person has touched the page: from the box that switches it on. */
  hear(on) {
    this.heard = on;
    if (!on || this.sound) return;
    this.sound = new AudioContext({ latencyHint: "interactive" });
    const { sampleRate } = this.sound;
    this.noise = this.sound.createBuffer(1, Math.ceil(0.012 * sampleRate), sampleRate);
    const data = this.noise.getChannelData(0);
    for (let i = 0; i < data.length; i += 1) data[i] = 0.5 * Math.exp((-i / sampleRate) * 500) * Math.sin((2 * Math.PI * 1900 * i) / sampleRate);
  }

  /** For a detent, after it has been counted. */
  now() {
    if (this.heard) {
      const source = this.sound.createBufferSource();
      source.buffer = this.noise;
      source.connect(this.sound.destination);
      source.start();
      this.played = (this.played ?? 0) + 1;
    }
    if (this.felt) navigator.vibrate(8);
  }
}
