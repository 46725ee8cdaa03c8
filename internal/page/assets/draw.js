// A structure is drawn as a line: points are clicked in cuts across the arch, step by step
// along it.
import {add, sub, scale, dot, cross, unit, across} from "./vector.js";
import {Cut, outline, tube, steps, sides, stroke, Plan, Structure} from "./cut.js";
import {arrow} from "./place.js";

const reach = 25; // mm along the arch to either side of the fixture
const fewest = 3, most = 20;

export function begin(bench, data) {
  const {Scan: scan, Site: site} = data;
  const say = document.getElementById("say"), keep = document.getElementById("keep"), list = document.getElementById("points");
  const figures = Object.fromEntries([...bench.querySelectorAll("[data-cut]")].map(f => [f.dataset.cut, f]));
  const source = [{of: scan.Of, window: scan.Window}];
  bench.hidden = false;

  // Along the arch is mesial, level; across it is towards the cheek, level; up is the head.
  const up = [0, 0, 1], m = across(site.Mesial, up), b = across(site.Buccal, up);
  const middle = scale(.5, add(data.Entry, data.Apex));
  let s = 0, points = data.Points.map(p => p), body = {entry: data.Entry, apex: data.Apex, diameter: data.Diameter || 4};
  const along = p => dot(sub(p, middle), m);

  const right = (v, viewer) => dot(cross(v, up), viewer) < 0 ? scale(-1, v) : v;
  const cut = new Cut(figures.across.querySelector(".cut"), {address: scan.Address, width: 34, height: 40, pixel: .1}).size(34 * 11);
  const side = new Cut(figures.along.querySelector(".cut"), {address: scan.Address, width: 2 * reach + 4, height: 40, pixel: .12}).size((2 * reach + 4) * 9);
  const planeAt = s => ({at: add(middle, scale(s, m)), right: right(b, m), up});
  const sidePlane = () => {
    // Through the points where there are some, else through the fixture.
    const off = points.length ? points.reduce((sum, p) => sum + dot(sub(p, middle), b), 0) / points.length : 0;
    return {at: add(middle, scale(off, b)), right: right(m, b), up};
  };
  figures.across.classList.add("pointing");

  const bar = steps(figures.across, {label: "Place along the arch, mm mesial of the fixture", low: -reach, high: reach, step: .5, value: 0, say: where}, v => { s = v; show(); });
  const mark = document.createElement("button");
  mark.type = "button";
  mark.className = "handle";
  mark.setAttribute("aria-label", "Mark: arrow keys move it, Enter sets a point in this cut");
  cut.box.append(mark);
  let at = [0, -10];
  mark.addEventListener("keydown", e => {
    const way = arrow(e), by = e.shiftKey ? 1 : .2;
    if (way) { e.preventDefault(); at = [at[0] + way[0] * by, at[1] + way[1] * by]; draw(); }
    if (e.key === "Enter") { e.preventDefault(); set(at); }
  });
  cut.over.addEventListener("click", e => set(at = cut.place(e)));
  side.over.addEventListener("click", e => {
    s = Math.round(2 * along(side.at(side.place(e)))) / 2;
    bar.value = s = Math.min(Math.max(s, -reach), reach);
    bar.dispatchEvent(new Event("input"));
  });

  function where(s) {
    if (Math.abs(s) < .25) return "at the fixture";
    return s > 0 ? `${s.toFixed(1)} mm mesial of the fixture` : `${(-s).toFixed(1)} mm distal of the fixture`;
  }

  // set puts a point into the cut that is shown, in place of one that is there.
  function set(place) {
    const p = cut.at(place), old = points.findIndex(q => Math.abs(along(q) - s) < .75);
    if (old >= 0) points[old] = p;
    else if (points.length < most) points.push(p);
    points.sort((p, q) => along(q) - along(p));
    show();
  }

  function show() {
    cut.draw = side.draw = () => {};
    cut.show(planeAt(s), source).then(draw);
    side.show(sidePlane(), source).then(draw);
    const names = (v, d, plus, minus) => dot(v, d) > 0 ? [minus, plus] : [plus, minus];
    sides(figures.across, ...names(cut.plane.right, b, site.Outward, site.Inward));
    sides(figures.along, ...names(side.plane.right, m, "mesial", "distal"));
    figures.across.querySelector("figcaption").textContent = `Across the arch, ${where(s)}. Click the middle of it; step on with the bar or the wheel, and click again.`;
    figures.along.querySelector("figcaption").textContent = "Along the arch: the line so far. Click it to go there.";
    cut.name(`Cut across the arch, ${where(s)}`);
    side.name(`Cut along the arch with ${points.length} points drawn`);
    say.textContent = points.length < fewest ? `${points.length} of at least ${fewest} points. Draw it as far as it runs beside the fixture, and a little further.`
      : `${points.length} points. Check the line in the cut along the arch; a click in a cut moves its point.`;
    keep.querySelector("button.main").disabled = points.length < fewest;
    const find = keep.querySelector("button[name=find]");
    if (find) find.disabled = points.length < 2;
    keep.elements.points.value = points.map(p => p.map(x => x.toFixed(3)).join(",")).join("\n");
    list.replaceChildren(...points.map((p, i) => {
      const item = document.createElement("li"), go = document.createElement("button"), off = document.createElement("button");
      go.type = off.type = "button";
      go.textContent = where(along(p));
      go.addEventListener("click", () => { bar.value = s = Math.round(2 * along(p)) / 2; bar.dispatchEvent(new Event("input")); });
      off.textContent = "Take off";
      off.className = "quiet";
      off.setAttribute("aria-label", `Take off the point ${where(along(p))}`);
      off.addEventListener("click", () => { points.splice(i, 1); show(); });
      item.append(go, " ", off);
      return item;
    }));
    draw();
  }

  function draw() {
    const radius = Number(document.getElementById("radius").value) || data.Radius;
    for (const x of [cut, side]) {
      const c = x.pen();
      outline(x, c, body, Plan, [.7, .45]);
      if (points.length > 1) tube(x, c, {points, radius}, Structure);
      for (const p of points) {
        const [px, py, off] = x.on(p);
        if (x === cut && Math.abs(off) > .75) continue;
        stroke(c, Structure, .14, null, () => c.arc(px, py, x === cut ? radius : .5, 0, 2 * Math.PI));
      }
      if (x === side) {
        const [sx] = x.on(add(middle, scale(s, m)));
        stroke(c, "#ffffff", .1, [.3, .6], () => { c.moveTo(sx, -20); c.lineTo(sx, 20); });
      }
    }
    cut.put(mark, at);
  }

  document.getElementById("radius").addEventListener("input", draw);
  show();
}
