// The drawing of one side: waveform, regions, spectrogram; the view, the cursor, and the two marks of what is kept.
const SHORTEST_S = 0.25;
const LEVELS = 11;
const AXIS = 20;
const STRIP = 12;
const LIGHT = [[0, 250, 250, 245], [0.3, 222, 190, 140], [0.55, 186, 116, 58], [0.8, 104, 48, 24], [1, 26, 12, 8]];
const DARK = [[0, 35, 43, 38], [0.3, 84, 60, 42], [0.55, 168, 104, 62], [0.8, 226, 170, 116], [1, 255, 244, 226]];
const STEPS_S = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800];

export function clock(seconds, digits = 2) {
  const units = Math.round(seconds * 10 ** digits);
  const whole = Math.floor(units / 10 ** digits);
  const rest = digits ? "." + String(units % 10 ** digits).padStart(digits, "0") : "";
  const [h, m, s] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  const two = (n) => String(n).padStart(2, "0");
  return (h ? `${h}:${two(m)}` : `${m}`) + `:${two(s)}${rest}`;
}

function unpacked(buffer) {
  const head = new DataView(buffer);
  const [columns, channels, spectrumColumns, rows] = [0, 4, 8, 12].map((at) => head.getUint32(at, true));
  const [start, stop] = [16, 24].map((at) => head.getFloat64(at, true));
  const envelope = new Int16Array(buffer, 48, columns * channels * 2);
  const grey = new Uint8Array(buffer, 48 + envelope.byteLength, rows * spectrumColumns);
  return { columns, channels, spectrumColumns, rows, start, stop, envelope, grey };
}

export class Stage {
  constructor(section, url, changed) {
    this.section = section;
    this.element = section.querySelector(".stage");
    this.canvas = section.querySelector("canvas");
    this.output = section.querySelector("output.cursor");
    this.url = url;
    this.changed = changed; // called with the cut when a person has moved it
    this.tiles = new Map();
    this.cursor = 0;
    this.handles = [section.querySelector(".handle.start"), section.querySelector(".handle.stop")];
    this.read();
    this.view = [0, this.duration];
    this.handles.forEach((handle, which) => this.listenToHandle(handle, which));
    this.listen();
    new ResizeObserver(() => this.draw()).observe(this.element);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this.repaint(); });
    this.load();
  }

  // The side's record as the page has it now; after a rerun it is another.
  read() {
    this.data = JSON.parse(this.section.querySelector(".drawing").dataset.drawing);
    this.duration = this.data.duration_s;
    this.cut = [...this.data.cut];
    this.tellCut();
  }

  setCut(cut) {
    this.cut = cut;
    this.tellCut();
    this.draw();
  }

  // For those who hear the page; at once, not with the next picture.
  tellCut() {
    this.handles.forEach((handle, which) => {
      const bounds = which === 0 ? [0, this.cut[1]] : [this.cut[0], this.duration];
      handle.setAttribute("aria-valuemin", bounds[0].toFixed(3));
      handle.setAttribute("aria-valuemax", bounds[1].toFixed(3));
      handle.setAttribute("aria-valuenow", this.cut[which].toFixed(3));
      handle.setAttribute("aria-valuetext", clock(this.cut[which]));
    });
  }

  async load() {
    const answer = await fetch(`${this.url}/overview`);
    if (answer.ok) {
      this.whole = unpacked(await answer.arrayBuffer());
      this.top = this.loudest(this.whole.grey);
      this.peak = this.whole.envelope.reduce((most, value) => Math.max(most, Math.abs(value)), 1638);
    }
    this.draw();
  }

  loudest(grey) {
    const counts = new Uint32Array(256);
    for (const value of grey) counts[value] += 1;
    let left = grey.length * 0.002;
    let top = 255;
    while (top > 1 && left > counts[top]) { left -= counts[top]; top -= 1; }
    return top;
  }

  // --- where things are
  width() { return this.element.clientWidth || 1; }
  x(seconds) { return ((seconds - this.view[0]) / (this.view[1] - this.view[0])) * this.width(); }
  seconds(x) { return this.view[0] + (x / this.width()) * (this.view[1] - this.view[0]); }

  show(start, stop) {
    const span = Math.min(this.duration, Math.max(0.05, stop - start));
    const from = Math.min(Math.max(0, start), this.duration - span);
    this.view = [from, from + span];
    this.draw();
  }

  zoom(factor, about = null) {
    const middle = about ?? (this.cursor >= this.view[0] && this.cursor <= this.view[1] ? this.cursor : (this.view[0] + this.view[1]) / 2);
    const span = Math.min(this.duration, (this.view[1] - this.view[0]) * factor);
    const share = (middle - this.view[0]) / (this.view[1] - this.view[0]);
    this.show(middle - span * share, middle + span * (1 - share));
  }

  pan(share) {
    const by = (this.view[1] - this.view[0]) * share;
    this.show(this.view[0] + by, this.view[1] + by);
  }

  setCursor(seconds, follow = false) {
    this.cursor = Math.min(Math.max(0, seconds), this.duration);
    this.output.textContent = clock(this.cursor);
    if (follow && (this.cursor < this.view[0] || this.cursor > this.view[1])) {
      const span = this.view[1] - this.view[0];
      this.show(this.cursor - span * 0.1, this.cursor + span * 0.9);
    } else this.draw();
  }

  // --- a person's hands
  listen() {
    let from = null;
    this.element.addEventListener("pointerdown", (event) => {
      if (event.button || event.target.closest(".handle")) return;
      from = { x: event.offsetX, view: [...this.view], moved: false };
      this.element.setPointerCapture(event.pointerId);
    });
    this.element.addEventListener("pointermove", (event) => {
      if (!from) return;
      const x = event.clientX - this.element.getBoundingClientRect().left;
      if (Math.abs(x - from.x) > 4) from.moved = true;
      if (from.moved) {
        const by = ((from.x - x) / this.width()) * (from.view[1] - from.view[0]);
        this.show(from.view[0] + by, from.view[1] + by);
      }
    });
    this.element.addEventListener("pointerup", (event) => {
      if (from && !from.moved) this.setCursor(this.seconds(event.clientX - this.element.getBoundingClientRect().left));
      from = null;
    });
    this.element.addEventListener("pointercancel", () => { from = null; });
    this.element.addEventListener("wheel", (event) => {
      const x = event.clientX - this.element.getBoundingClientRect().left;
      if (event.ctrlKey) { event.preventDefault(); this.zoom(event.deltaY > 0 ? 1.25 : 0.8, this.seconds(x)); }
      else if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
        event.preventDefault();
        this.pan(Math.sign(event.deltaX || event.deltaY) * 0.1);
      }
    }, { passive: false });
    this.element.addEventListener("keydown", (event) => {
      if (event.target !== this.element || event.ctrlKey || event.altKey || event.metaKey) return;
      const moves = { ArrowLeft: () => this.pan(-0.1), ArrowRight: () => this.pan(0.1), Home: () => this.show(0, this.view[1] - this.view[0]),
        End: () => this.show(this.duration - (this.view[1] - this.view[0]), this.duration) };
      if (moves[event.key]) { event.preventDefault(); event.stopPropagation(); moves[event.key](); }
    });
  }

  listenToHandle(handle, which) {
    let held = false;
    handle.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      held = true;
      handle.setPointerCapture(event.pointerId);
      handle.focus();
      event.preventDefault();
    });
    handle.addEventListener("pointermove", (event) => {
      if (held) this.moveHandle(which, this.seconds(event.clientX - this.element.getBoundingClientRect().left));
    });
    const release = () => { held = false; };
    handle.addEventListener("pointerup", release);
    handle.addEventListener("pointercancel", release);
    handle.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.altKey || event.metaKey) return;
      const step = event.shiftKey ? 1 : 0.1;
      const to = { ArrowLeft: this.cut[which] - step, ArrowDown: this.cut[which] - step, ArrowRight: this.cut[which] + step, ArrowUp: this.cut[which] + step,
        PageDown: this.cut[which] - 10, PageUp: this.cut[which] + 10, Home: 0, End: this.duration }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      this.moveHandle(which, to);
      if (this.cut[which] < this.view[0] || this.cut[which] > this.view[1]) {
        const half = (this.view[1] - this.view[0]) / 2;
        this.show(this.cut[which] - half, this.cut[which] + half);
      }
    });
  }

  moveHandle(which, seconds) {
    const least = 0.05;
    const to = which === 0 ? Math.min(Math.max(0, seconds), this.cut[1] - least) : Math.max(Math.min(this.duration, seconds), this.cut[0] + least);
    this.cut[which] = Math.min(this.duration, Math.round(to * 1000) / 1000);
    this.changed(this.cut);
    this.setCut(this.cut);
  }

  // --- drawing
  repaint() {
    for (const tile of this.tiles.values()) if (tile) tile.picture = null;
    if (this.whole) this.whole.picture = null;
    this.draw();
  }

  draw() {
    if (this.waits) return;
    this.waits = true;
    requestAnimationFrame(() => { this.waits = false; this.paint(); });
  }

  colours() {
    const style = getComputedStyle(document.documentElement);
    return Object.fromEntries(["ink", "soft", "rule", "felt", "oxide", "thin", "paper", "card", "warn", "fail"].map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
  }

  paint() {
    const [width, height, dots] = [this.width(), this.element.clientHeight, devicePixelRatio || 1];
    this.canvas.width = Math.round(width * dots);
    this.canvas.height = Math.round(height * dots);
    const pen = this.canvas.getContext("2d");
    pen.scale(dots, dots);
    const colour = this.colours();
    pen.fillStyle = colour.paper;
    pen.fillRect(0, 0, width, height);
    const waveHeight = (height - AXIS - STRIP) * 0.5;
    const spectrumTop = waveHeight + STRIP;
    const pieces = this.pieces(width);
    this.paintTicks(pen, colour, width, height);
    for (const piece of pieces) {
      this.paintSpectrum(pen, piece, spectrumTop, height - AXIS - spectrumTop);
      this.paintWave(pen, colour, piece, waveHeight);
    }
    this.paintRegions(pen, colour, waveHeight);
    this.paintMarks(pen, colour, waveHeight, height);
    this.paintCut(pen, colour, width, height);
    const at = this.x(this.cursor);
    pen.strokeStyle = colour.felt;
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(at, 0);
    pen.lineTo(at, height - AXIS);
    pen.stroke();
  }

  // What there is to draw: the whole side, covered by finer tiles where they are wanted and have come.
  pieces(width) {
    if (!this.whole) return [];
    const pieces = [{ from: this.view[0], to: this.view[1], source: this.whole }];
    const span = this.view[1] - this.view[0];
    if (this.duration / this.whole.columns <= span / width) return pieces;
    const level = Math.max(0, Math.ceil(Math.log2(span / 2 / SHORTEST_S)));
    if (level >= LEVELS) return pieces;
    const seconds = SHORTEST_S * 2 ** level;
    for (let index = Math.floor(this.view[0] / seconds); index * seconds < this.view[1]; index += 1) {
      const tile = this.tile(level, index);
      if (tile) pieces.push({ from: Math.max(this.view[0], tile.start), to: Math.min(this.view[1], tile.stop), source: tile });
    }
    return pieces;
  }

  tile(level, index) {
    const key = `${level}/${index}`;
    if (this.tiles.has(key)) return this.tiles.get(key);
    this.tiles.set(key, null);
    fetch(`${this.url}/tile/${key}`).then(async (answer) => {
      if (answer.ok) this.tiles.set(key, unpacked(await answer.arrayBuffer()));
      if (this.tiles.size > 400) this.tiles.delete(this.tiles.keys().next().value);
      this.draw();
    }).catch(() => { this.tiles.delete(key); });
    return null;
  }

  paintWave(pen, colour, { from, to, source }, height) {
    const [left, right] = [Math.floor(this.x(from)), Math.ceil(this.x(to))];
    pen.fillStyle = colour.paper;
    pen.fillRect(left, 0, right - left, height);
    const lane = height / source.channels;
    const each = (source.stop - source.start) / source.columns;
    pen.fillStyle = colour.oxide;
    for (let channel = 0; channel < source.channels; channel += 1) {
      const middle = lane * (channel + 0.5);
      for (let x = left; x < right; x += 1) {
        const first = Math.max(0, Math.floor((this.seconds(x) - source.start) / each));
        const last = Math.min(source.columns - 1, Math.max(first, Math.ceil((this.seconds(x + 1) - source.start) / each) - 1));
        let [low, high] = [32767, -32768];
        for (let at = first; at <= last; at += 1) {
          const place = (at * source.channels + channel) * 2;
          low = Math.min(low, source.envelope[place]);
          high = Math.max(high, source.envelope[place + 1]);
        }
        if (low > high) continue;
        const scale = (lane * 0.47) / this.peak; // finer tiles never go beyond the whole side's peak
        const [top, bottom] = [middle - high * scale, middle - low * scale];
        pen.fillRect(x, top, 1, Math.max(1, bottom - top));
      }
    }
  }

  paintSpectrum(pen, { from, to, source }, top, height) {
    source.picture ??= this.picture(source);
    if (!source.picture) return;
    const each = (source.stop - source.start) / source.spectrumColumns;
    pen.imageSmoothingEnabled = true;
    const [a, b] = [(from - source.start) / each, (to - source.start) / each];
    pen.drawImage(source.picture, a, 0, Math.max(0.01, b - a), source.rows, this.x(from), top, this.x(to) - this.x(from), height);
  }

  picture(source) {
    if (!source.spectrumColumns || !source.rows) return null;
    const stops = matchMedia("(prefers-color-scheme: dark)").matches ? DARK : LIGHT;
    const range = (this.data.range_db / -this.data.floor_dbfs) * 255;
    const palette = new Uint32Array(256);
    for (let value = 0; value < 256; value += 1) {
      const t = Math.min(1, Math.max(0, 1 + (value - this.top) / range));
      const next = Math.max(1, stops.findIndex((stop) => stop[0] >= t));
      const [a, b] = [stops[next - 1], stops[next]];
      const share = (t - a[0]) / (b[0] - a[0]);
      const [red, green, blue] = [1, 2, 3].map((k) => Math.round(a[k] + (b[k] - a[k]) * share));
      palette[value] = (255 << 24) | (blue << 16) | (green << 8) | red;
    }
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [source.spectrumColumns, source.rows];
    const pen = canvas.getContext("2d");
    const image = pen.createImageData(canvas.width, canvas.height);
    const pixels = new Uint32Array(image.data.buffer);
    for (let at = 0; at < pixels.length; at += 1) pixels[at] = palette[source.grey[at]];
    pen.putImageData(image, 0, 0);
    return canvas;
  }

  paintRegions(pen, colour, top) {
    const look = { leader: colour.rule, silence: colour.thin, tone: colour.felt, programme: colour.oxide };
    for (const [kind, start, stop] of this.data.regions) {
      pen.fillStyle = look[kind];
      pen.fillRect(this.x(start), top + 1, this.x(stop) - this.x(start), STRIP - 2);
      pen.fillStyle = colour.ink;
      pen.fillRect(this.x(start), top + 1, 1, STRIP - 2);
    }
  }

  paintMarks(pen, colour, top, height) {
    for (const [start, stop, severity] of this.data.marks) {
      const x = this.x(start);
      if (x < -20 || x > this.width() + 20) continue;
      pen.fillStyle = severity === "info" ? colour.felt : colour[severity];
      pen.globalAlpha = 0.18;
      pen.fillRect(x, 0, Math.max(1, this.x(stop) - x), height - AXIS);
      pen.globalAlpha = 1;
      pen.fillRect(x - 1, top - 9, 3, 9);
    }
  }

  paintCut(pen, colour, width, height) {
    const [from, to] = this.cut.map((at) => this.x(at));
    pen.fillStyle = colour.card;
    pen.globalAlpha = 0.7;
    if (from > 0) pen.fillRect(0, 0, Math.min(width, from), height - AXIS);
    if (to < width) pen.fillRect(Math.max(0, to), 0, width, height - AXIS);
    pen.globalAlpha = 1;
    this.handles.forEach((handle, which) => {
      const x = which === 0 ? from : to;
      handle.style.left = `${Math.min(Math.max(0, x), width)}px`;
      handle.classList.toggle("off", x < -1 || x > width + 1);
    });
  }

  paintTicks(pen, colour, width, height) {
    const span = this.view[1] - this.view[0];
    const step = STEPS_S.find((s) => (span / s) * 64 < width) ?? 3600;
    const digits = step < 0.01 ? 3 : step < 0.1 ? 2 : step < 1 ? 1 : 0;
    pen.fillStyle = colour.soft;
    pen.font = "11px system-ui, sans-serif";
    pen.textBaseline = "bottom";
    for (let n = Math.ceil(this.view[0] / step); n * step <= this.view[1]; n += 1) {
      const x = this.x(n * step);
      pen.fillRect(x, height - AXIS, 1, 5);
      if (x < width - 40) pen.fillText(clock(n * step, digits), x + 3, height - 2);
    }
  }
}
