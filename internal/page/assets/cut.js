// A cut through a scan: its picture, and what is drawn over it.
//
// A plane is {at, right, up}: its middle, and the directions that are to the right and
// upwards in the picture. A place on it is [x, y], mm to the right and up from its middle.
import {add, sub, scale, dot, cross, norm} from "./vector.js";

export const Plan = "#ffc20a", Placed = "#8fd0ff", Structure = "#ffffff", Casing = "#05080b";

export class Cut {
  // box takes the picture; width and height are mm of the patient, pixel is mm.
  constructor(box, {address, width, height, pixel, round}) {
    Object.assign(this, {box, address, width, height, pixel});
    this.columns = Math.round(width / pixel);
    this.rows = Math.round(height / pixel);
    this.zoom = 1;
    this.picture = document.createElement("canvas");
    this.over = document.createElement("canvas");
    this.picture.width = this.columns;
    this.picture.height = this.rows;
    // Lines are drawn twice as fine as the picture.
    this.fine = 2;
    this.over.width = this.columns * this.fine;
    this.over.height = this.rows * this.fine;
    this.box.replaceChildren(this.picture, this.over);
    this.picture.setAttribute("role", "img");
    this.over.setAttribute("aria-hidden", "true");
    this.sources = [];
    this.draw = () => {};
    this.round = round;
    box.cut = this;
  }

  // name says what the picture shows, for those who do not see it.
  name(text) {
    this.picture.setAttribute("aria-label", text);
  }

  // size sets how wide the picture is at most, CSS pixels.
  size(most) {
    this.picture.style.width = this.box.style.width = `${most}px`;
    this.over.style.width = this.over.style.height = "100%";
    return this;
  }

  // show cuts along a plane. sources are the scans, each {of, window, share}; one that is
  // laid over another has a share of it between 0 and 1, or is shown left of split.
  async show(plane, sources, {split} = {}) {
    this.plane = plane;
    delete this.box.dataset.shown; // until the picture is there
    this.asked?.abort();
    const asked = this.asked = new AbortController();
    const number = v => v.map(x => x.toFixed(4)).join(",");
    const direction = v => v.map(x => x.toFixed(7)).join(",");
    const where = `at=${number(plane.at)}&right=${direction(plane.right)}&up=${direction(plane.up)}&w=${this.columns}&h=${this.rows}&pixel=${this.pixel}`;
    this.draw(this.pen());
    let levels;
    try {
      levels = await Promise.all(sources.map(async s => {
        const answer = await fetch(`${this.address}?of=${s.of}&${where}`, {signal: asked.signal});
        if (!answer.ok) throw new Error(await answer.text());
        return new Uint16Array(await answer.arrayBuffer());
      }));
    } catch (e) {
      if (e.name !== "AbortError") this.box.dataset.failed = "";
      return;
    }
    if (asked !== this.asked) return; // another cut was asked for meanwhile
    this.levels = levels;
    this.sources = sources;
    this.split = split;
    this.paint();
  }

  // paint turns levels into brightness, by the square root between the window's ends.
  paint() {
    if (!this.levels?.length) return;
    const image = new ImageData(this.columns, this.rows);
    const tables = this.sources.map(s => {
      const table = new Uint8ClampedArray(65536);
      const [low, high] = s.window;
      for (let l = 1; l < 65536; l++) table[l] = 255 * Math.sqrt(Math.min(Math.max((l - low) / (high - low), 0), 1));
      return table;
    });
    const [first, second] = this.levels, edge = this.split ?? -1;
    for (let i = 0, n = first.length; i < n; i++) {
      let v = tables[0][first[i]];
      if (second) {
        const other = tables[1][second[i]];
        if (this.split === undefined) v += this.sources[1].share * (other - v);
        else if (i % this.columns > edge * this.columns) v = other;
      }
      image.data[4 * i] = image.data[4 * i + 1] = image.data[4 * i + 2] = v;
      image.data[4 * i + 3] = 255;
    }
    this.picture.getContext("2d").putImageData(image, 0, 0);
    this.box.dataset.shown = "";
  }

  // pen clears what is drawn over the picture and gives the means to draw anew, in mm.
  pen() {
    const c = this.over.getContext("2d");
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.clearRect(0, 0, this.over.width, this.over.height);
    const k = this.fine / this.pixel;
    c.setTransform(k, 0, 0, -k, this.over.width / 2, this.over.height / 2);
    c.lineJoin = c.lineCap = "round";
    return c;
  }

  // on is the place of a point of the patient, and how far in front of the plane it lies.
  on(p) {
    const d = sub(p, this.plane.at);
    return [dot(d, this.plane.right), dot(d, this.plane.up), dot(d, cross(this.plane.right, this.plane.up))];
  }

  // at is the point of the patient at a place.
  at([x, y]) {
    return add(this.plane.at, add(scale(x, this.plane.right), scale(y, this.plane.up)));
  }

  // place is where an event of the pointer is.
  place(e) {
    const r = this.over.getBoundingClientRect();
    return [((e.clientX - r.left) / r.width - .5) * this.width, (.5 - (e.clientY - r.top) / r.height) * this.height];
  }

  // put lays an element at a place.
  put(element, [x, y]) {
    element.style.left = `${50 + 100 * x / this.width}%`;
    element.style.top = `${50 - 100 * y / this.height}%`;
  }
}

// stroke draws a path twice, dark and then in its colour, so that it shows on bone and on
// air.
export function stroke(c, color, width, dash, path) {
  for (const [ink, w] of [[Casing, width * 2], [color, width]]) {
    c.beginPath();
    path();
    c.strokeStyle = ink;
    c.lineWidth = w;
    c.setLineDash(dash ?? []);
    c.stroke();
  }
  c.setLineDash([]);
}

// outline draws a fixture {entry, apex, diameter} where a cut passes it, and its axis. A
// body of revolution is cut in chords: at each height of the axis the plane is some way off
// it, and what is left of the radius there is half the chord.
export function outline(cut, c, body, color, dash) {
  const axis = sub(body.apex, body.entry), length = norm(axis), a = scale(1 / length, axis);
  const n = cross(cut.plane.right, cut.plane.up);
  const cos = dot(n, a), sin = Math.sqrt(Math.max(0, 1 - cos * cos));
  const h = dot(sub(cut.plane.at, body.entry), n);
  const radius = z => {
    const r = body.diameter / 2, rest = length - z; // the apex is rounded by half its radius
    return rest >= r / 2 ? r : r / 2 + Math.sqrt(Math.max(0, r * r / 4 - (r / 2 - rest) ** 2));
  };
  const out = sin > 1e-6 ? scale(1 / sin, sub(n, scale(cos, a))) : null;
  if (!out || sin < .2) {
    const z = h / cos;
    if (z < 0 || z > length) return false;
    const [x, y] = cut.on(add(body.entry, scale(z, a)));
    stroke(c, color, .16, dash, () => c.arc(x, y, radius(z), 0, 2 * Math.PI));
    return true;
  }
  const side = cross(a, out), left = [], right = [];
  for (let i = 0; i <= 160; i++) {
    const z = length * (1 - Math.cos(Math.PI * i / 160)) / 2;
    const q = (h - cos * z) / sin, half = radius(z) ** 2 - q * q;
    if (half < 0) continue;
    const middle = add(body.entry, add(scale(z, a), scale(q, out)));
    left.push(cut.on(add(middle, scale(Math.sqrt(half), side))));
    right.push(cut.on(sub(middle, scale(Math.sqrt(half), side))));
  }
  if (!left.length) return false;
  const ring = [...left, ...right.reverse()];
  stroke(c, color, .16, dash, () => {
    ring.forEach(([x, y], i) => i ? c.lineTo(x, y) : c.moveTo(x, y));
    c.closePath();
  });
  const [ex, ey] = cut.on(body.entry), [ax, ay] = cut.on(body.apex);
  stroke(c, color, .08, dash, () => { c.moveTo(ex, ey); c.lineTo(ax, ay); });
  return true;
}

// wall draws a surface {points, triangles} where a cut passes it.
export function wall(cut, c, body, color) {
  const at = body.points.map(p => cut.on(p));
  stroke(c, color, .14, null, () => {
    for (const t of body.triangles) {
      const ends = [];
      for (let i = 0; i < 3; i++) {
        const [ax, ay, a] = at[t[i]], [bx, by, b] = at[t[(i + 1) % 3]];
        if (a < 0 !== b < 0) ends.push([ax + a / (a - b) * (bx - ax), ay + a / (a - b) * (by - ay)]);
      }
      if (ends.length === 2) {
        c.moveTo(...ends[0]);
        c.lineTo(...ends[1]);
      }
    }
  });
}

// tube draws a structure {points, radius} where a cut passes it: all chords of its balls,
// and of these only the rim.
export function tube(cut, c, body, color) {
  const rings = [];
  for (let i = 0; i + 1 < body.points.length; i++) {
    const p = body.points[i], d = sub(body.points[i + 1], p), steps = Math.max(1, Math.ceil(norm(d) / .2));
    for (let k = 0; k <= steps; k++) {
      const [x, y, off] = cut.on(add(p, scale(k / steps, d)));
      const r = body.radius ** 2 - off * off;
      if (r > 0) rings.push([x, y, Math.sqrt(r)]);
    }
  }
  if (!rings.length) return;
  const paper = document.createElement("canvas");
  paper.width = cut.over.width;
  paper.height = cut.over.height;
  const t = paper.getContext("2d");
  t.setTransform(c.getTransform());
  const fill = (grow, mode, ink) => {
    t.globalCompositeOperation = mode;
    t.fillStyle = ink;
    for (const [x, y, r] of rings) {
      t.beginPath();
      t.arc(x, y, Math.max(.01, r + grow), 0, 2 * Math.PI);
      t.fill();
    }
  };
  fill(.12, "source-over", Casing);
  fill(.06, "source-over", color);
  fill(-.08, "destination-out", "#000");
  c.save();
  c.setTransform(1, 0, 0, 1, 0, 0);
  c.drawImage(paper, 0, 0);
  c.restore();
}

// steps makes a bar under a cut that moves it, also by the wheel over it.
export function steps(figure, {label, low, high, step, value, say}, moved) {
  const bar = document.createElement("input");
  Object.assign(bar, {type: "range", min: low, max: high, step, value});
  bar.setAttribute("aria-label", label);
  const told = () => bar.setAttribute("aria-valuetext", say(Number(bar.value)));
  told();
  bar.addEventListener("input", () => { told(); moved(Number(bar.value)); });
  figure.querySelector(".cut").addEventListener("wheel", e => {
    e.preventDefault();
    bar.value = Number(bar.value) + Math.sign(e.deltaY) * step;
    bar.dispatchEvent(new Event("input"));
  }, {passive: false});
  figure.insertBefore(bar, figure.querySelector("figcaption"));
  return bar;
}

// sides writes what lies to the left and to the right of a cut.
export function sides(figure, left, right) {
  let line = figure.querySelector(".sides");
  if (!line) {
    line = document.createElement("p");
    line.className = "sides";
    line.append(document.createElement("span"), document.createElement("span"));
    figure.querySelector(".cut").after(line);
  }
  line.children[0].textContent = `← ${left}`;
  line.children[1].textContent = `${right} →`;
}
