// A planned fixture is set by hand: first its platform on a level cut, then both ends on
// two plumb cuts, which are turned so that the fixture always hangs plumb, and on one
// across.
import {add, sub, scale, dot, cross, norm, unit, across, turned} from "./vector.js";
import {Cut, outline, tube, steps, sides, stroke, Plan, Structure} from "./cut.js";
import {level, levelCut} from "./look.js";

const beyond = 8; // mm shown beyond both ends
const wide = 26; // mm

export function begin(bench, data) {
  const {Scan: scan, Site: site} = data;
  const say = document.getElementById("say"), keep = document.getElementById("keep");
  const input = id => document.getElementById(id);
  const turning = input("turn").closest("label"), why = input("turn-why");
  const figures = Object.fromEntries([...bench.querySelectorAll("[data-cut]")].map(f => [f.dataset.cut, f]));
  const source = [{of: scan.Of, window: scan.Window}];
  let entry = data.Entry, apex = data.Apex, turn = 0, depth = 0, z = scan.Centre[2];
  bench.hidden = false;

  const length = () => Number(input("length").value) || data.Length;
  const diameter = () => Number(input("diameter").value) || data.Diameter;
  const coronal = site.Upper ? -1 : 1; // up in the patient is coronal in the lower jaw

  // first is the cut on which the platform is pointed at.
  function first() {
    const figure = figures.across;
    figures.along.hidden = figures.aside.hidden = turning.hidden = why.hidden = true;
    figure.classList.remove("round");
    figure.classList.add("pointing");
    figure.querySelector("input")?.remove();
    say.textContent = `Step to the height of the bone's crest and click where the platform of ${site.Number} goes.`;
    figure.querySelector("figcaption").textContent = "A level cut through the jaw. The bar or the wheel changes its height; with the keyboard, move the mark with the arrow keys and press Enter.";
    const cut = levelCut(figure, scan, 480);
    cut.name("A level cut through the planning scan");
    sides(figure, "patient's right", "patient's left");
    const show = h => { z = h; cut.show(level(scan, z), source); };
    steps(figure, {label: "Height of the cut, mm above the middle of the scan", low: scan.Low[2], high: scan.High[2], step: .5, value: z, say: h => `${(h - scan.Centre[2]).toFixed(1)} mm`}, show);
    const mark = handle(cut, `Mark for the platform of ${site.Number}: arrow keys move it, Enter sets it`);
    let at = [0, 0];
    cut.put(mark, at);
    const set = place => {
      entry = cut.at(place);
      apex = add(entry, [0, 0, -coronal * length()]);
      second();
    };
    mark.addEventListener("keydown", e => {
      const way = arrow(e);
      if (way) cut.put(mark, at = [at[0] + way[0] * (e.shiftKey ? 5 : 1), at[1] + way[1] * (e.shiftKey ? 5 : 1)]);
      if (e.key === "Enter") { e.preventDefault(); set(at); }
    });
    cut.over.addEventListener("click", e => set(cut.place(e)));
    show(z);
  }

  function handle(cut, label) {
    const h = document.createElement("button");
    h.type = "button";
    h.className = "handle";
    h.setAttribute("aria-label", label);
    h.title = label;
    cut.box.append(h);
    return h;
  }

  // axes are the directions that the cuts have now.
  function axes() {
    const axis = unit(sub(apex, entry));
    const m = turned(across(site.Mesial, axis), axis, turn * Math.PI / 180);
    let b = cross(axis, m);
    if (dot(b, site.Buccal) < 0) b = scale(-1, b);
    return {axis, m, b};
  }

  let cuts, shown;

  // second is the three cuts on which both ends are moved.
  function second() {
    turning.hidden = why.hidden = false;
    for (const f of Object.values(figures)) {
      f.hidden = false;
      f.querySelector("input")?.remove();
      f.classList.remove("pointing");
    }
    figures.across.classList.add("round");
    const high = length() + 2 * beyond;
    const make = (name, width, height, most) => new Cut(figures[name].querySelector(".cut"), {address: scan.Address, width, height, pixel: .1}).size(most);
    const k = 12; // CSS pixels a mm
    cuts = {along: make("along", wide, high, wide * k), aside: make("aside", wide, high, wide * k), across: make("across", 22, 22, 22 * k)};
    for (const name of ["along", "aside"]) {
      const cut = cuts[name];
      cut.handles = [handle(cut, "Platform: arrow keys move the fixture by 0.1 mm, with Shift by 1 mm"), handle(cut, "Apex: arrow keys tilt the fixture about its platform")];
      cut.handles.forEach((h, i) => drag(cut, h, i === 1));
    }
    cuts.across.handles = [handle(cuts.across, "Fixture seen from its platform: arrow keys move it by 0.1 mm")];
    drag(cuts.across, cuts.across.handles[0], false);
    steps(figures.across, {label: "Depth of the cut below the platform, mm", low: -5, high: Math.ceil(length()) + 5, step: .5, value: depth, say: d => `${d} mm below the platform`},
      d => { depth = d; show(); });
    keep.querySelector("button.main").disabled = false;
    show();
  }

  // drag moves an end by the pointer or the arrow keys. While it is dragged the picture
  // stays; then all cuts are turned anew.
  function drag(cut, h, end) {
    let from = null;
    h.addEventListener("pointerdown", e => {
      from = {place: cut.place(e), entry, apex};
      h.setPointerCapture(e.pointerId);
      e.preventDefault();
      h.focus();
    });
    h.addEventListener("pointermove", e => {
      if (!from) return;
      const to = cut.place(e);
      move(cut, from, [to[0] - from.place[0], to[1] - from.place[1]], end);
      draw();
    });
    const drop = () => { if (from) { from = null; show(); } };
    h.addEventListener("pointerup", drop);
    h.addEventListener("pointercancel", drop);
    h.addEventListener("keydown", e => {
      const way = arrow(e);
      if (!way) return;
      e.preventDefault();
      const by = e.shiftKey ? 1 : .1;
      move(cut, {entry, apex}, [way[0] * by, way[1] * by], end);
      show();
    });
  }

  function move(cut, from, [x, y], end) {
    const by = add(scale(x, cut.plane.right), scale(y, cut.plane.up));
    if (end) {
      apex = add(from.entry, scale(length(), unit(sub(add(from.apex, by), from.entry))));
    } else {
      entry = add(from.entry, by);
      apex = add(from.apex, by);
    }
  }

  // planes are the cuts' planes, plumb: the axis is upright in the first two.
  function planes() {
    const {axis, m, b} = axes();
    const up = scale(-coronal, axis);
    const middle = scale(.5, add(entry, apex));
    // The cut along the arch is seen from the cheek, that across it from mesial.
    const right = (v, viewer) => dot(cross(v, up), viewer) < 0 ? scale(-1, v) : v;
    const along = right(m, b), aside = right(b, m);
    const seen = scale(-1, axis); // from the platform
    const flat = dot(cross(m, b), seen) < 0 ? scale(-1, m) : m;
    return {m, b, along: {at: middle, right: along, up}, aside: {at: middle, right: aside, up}, across: {at: add(entry, scale(depth, axis)), right: flat, up: b}};
  }

  function show() {
    const p = planes();
    for (const name of ["along", "aside", "across"]) {
      cuts[name].draw = () => {};
      cuts[name].show(p[name], source).then(draw);
    }
    const names = (v, d, plus, minus) => dot(v, d) > 0 ? [minus, plus] : [plus, minus];
    sides(figures.along, ...names(p.along.right, p.m, "mesial", "distal"));
    sides(figures.aside, ...names(p.aside.right, p.b, site.Outward, site.Inward));
    sides(figures.across, ...names(p.across.right, p.m, "mesial", "distal"));
    shown = p;
    draw();
    tell();
  }

  function draw() {
    const body = {entry, apex, diameter: diameter()};
    for (const name of ["along", "aside", "across"]) {
      const cut = cuts[name], c = cut.pen();
      for (const s of data.Structures) tube(cut, c, {points: s.Points, radius: s.Radius}, Structure);
      outline(cut, c, body, Plan, [.7, .45]);
      if (name === "across") {
        cut.put(cut.handles[0], cut.on(add(entry, scale(depth, unit(sub(apex, entry))))));
        continue;
      }
      cut.put(cut.handles[0], cut.on(entry));
      cut.put(cut.handles[1], cut.on(apex));
    }
  }

  function tell() {
    const lean = Math.acos(Math.min(1, Math.abs(unit(sub(apex, entry))[2]))) * 180 / Math.PI;
    say.textContent = `Drag the upper and the lower knot. The fixture hangs plumb; the jaw turns behind it. It leans ${lean.toFixed(0)}° from the patient's vertical.`;
    figures.along.querySelector("figcaption").textContent = `Along the arch, seen from the cheek.`;
    figures.aside.querySelector("figcaption").textContent = `Across the arch, seen from mesial.`;
    figures.across.querySelector("figcaption").textContent = `Across the fixture, seen from its platform, ${site.Outward} up, ${depth.toFixed(1)} mm below the platform.`;
    cuts.along.name(`Cut along the arch through the planned fixture, ${diameter()} by ${length()} mm`);
    cuts.aside.name(`Cut across the arch through the planned fixture`);
    cuts.across.name(`Cut across the planned fixture ${depth} mm below its platform`);
    const hold = (name, value) => { keep.querySelector(`input[name=${name}]`).value = value; };
    hold("entry", entry.map(x => x.toFixed(4)).join(","));
    hold("apex", apex.map(x => x.toFixed(4)).join(","));
    hold("diameter", diameter());
    hold("length", length());
  }

  input("length").addEventListener("change", () => { if (entry) { apex = add(entry, scale(length(), unit(sub(apex, entry)))); second(); } });
  input("diameter").addEventListener("input", () => { if (entry && cuts) show(); });
  input("turn").addEventListener("input", e => { turn = Number(e.target.value); if (entry && cuts) show(); });
  document.getElementById("again").addEventListener("click", first);
  if (entry) second();
  else first();
}

// arrow is the way that an arrow key shows, null for another key.
export const arrow = e => ({ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1]})[e.key] ?? null;
