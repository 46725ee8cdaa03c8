// The cuts of a case: along and across the planned axis, which hangs plumb; what leans has
// moved. Before surgery there is the planning scan and the plan alone.
import {add, sub, scale, dot, cross, norm, unit, across} from "./vector.js";
import {Cut, outline, tube, wall, steps, sides, Plan, Placed, Structure} from "./cut.js";

const beyond = 5, wide = 20; // mm

export function begin(bench, data) {
  const {Scan: scan} = data;
  bench.hidden = false;
  const jump = document.querySelector(".jump");
  if (jump) jump.hidden = false;
  const body = f => f && {entry: f.Entry, apex: f.Apex, diameter: f.Diameter};
  for (const fixture of data.Fixtures) bench.append(one(fixture));

  function one({Site: site, Planned, Achieved}) {
    const planned = body(Planned), placed = body(Achieved);
    const axis = unit(sub(planned.apex, planned.entry)), length = norm(sub(planned.apex, planned.entry));
    const m = across(site.Mesial, axis);
    let b = cross(axis, m);
    if (dot(b, site.Buccal) < 0) b = scale(-1, b);
    const up = scale(site.Upper ? 1 : -1, axis), middle = scale(.5, add(planned.entry, planned.apex));
    const right = (v, viewer) => dot(cross(v, up), viewer) < 0 ? scale(-1, v) : v;
    const seen = scale(-1, axis), flat = dot(cross(m, b), seen) < 0 ? scale(-1, m) : m;
    const views = [
      {name: "Along the arch, seen from the cheek", right: right(m, b), up, step: b, plus: site.Outward, minus: site.Inward, low: -5, high: 5, start: 0, at: middle, sides: [m, "mesial", "distal"], height: length + 2 * beyond},
      {name: "Across the arch, seen from mesial", right: right(b, m), up, step: m, plus: "mesial", minus: "distal", low: -5, high: 5, start: 0, at: middle, sides: [b, site.Outward, site.Inward], height: length + 2 * beyond},
      {name: `Across the plan, seen from its platform, ${site.Outward} up`, right: flat, up: b, step: axis, plus: "below the planned platform", minus: "above it", low: -4, high: Math.ceil(length) + 4, start: 1, at: planned.entry, sides: [m, "mesial", "distal"], height: wide, round: true},
    ];
    const section = document.createElement("section");
    section.setAttribute("aria-label", `Cuts at site ${site.Number}`);
    const heading = document.createElement("h2");
    const measured = Boolean(data.Window), known = Boolean(placed);
    heading.textContent = `${site.Number}, ${site.Name}: the plan hangs plumb${known ? ", what leans has moved" : ""}`;
    const switches = document.createElement("div");
    switches.className = "switches";
    const box = (text, on) => {
      const l = document.createElement("label"), i = document.createElement("input");
      i.type = "checkbox";
      i.checked = on;
      l.append(i, text);
      switches.append(l);
      return i;
    };
    const showPlan = box("planned, dashed", true), showStructures = box("what to keep clear of, white", true);
    const showPlaced = known ? box("placed, solid", true) : {checked: false, addEventListener() {}};
    const label = document.createElement("label"), blend = document.createElement("input");
    Object.assign(blend, {type: "range", min: 0, max: 1, step: .05, value: 1});
    label.append("planning scan ", blend, " follow-up scan");
    blend.setAttribute("aria-label", "From the planning scan to the follow-up scan");
    if (measured) switches.append(label);
    const swipe = measured ? box("part the picture there instead of blending", false) : {checked: false, addEventListener() {}};
    const hanger = document.createElement("div");
    hanger.className = "hanger";
    section.append(heading, switches, hanger);

    const cuts = views.map(v => {
      const figure = document.createElement("figure");
      figure.className = v.round ? "hung round" : "hung";
      figure.innerHTML = '<div class="cut"></div><figcaption></figcaption>';
      hanger.append(figure);
      const cut = new Cut(figure.querySelector(".cut"), {address: scan.Address, width: wide, height: v.height, pixel: .1}).size(wide * 14);
      let at = v.start;
      const place = d => Math.abs(d) < .05 ? "through the planned axis" : `${Math.abs(d).toFixed(1)} mm ${d > 0 ? v.plus : v.minus}`;
      const show = () => {
        const plane = {at: add(v.at, scale(at, v.step)), right: v.right, up: v.up};
        cut.draw = c => draw(c, cut);
        const sources = [{of: "pre", window: scan.Window}];
        if (measured) sources.push({of: "post", window: data.Window, share: Number(blend.value)});
        cut.show(plane, sources, swipe.checked ? {split: 1 - Number(blend.value)} : {});
        figure.querySelector("figcaption").textContent = `${v.name}, ${v.round ? `${Math.abs(at).toFixed(1)} mm ${at >= 0 ? v.plus : v.minus}` : place(at)}.`;
        cut.name(`${v.name}, with the planned outline dashed${placed ? " and the placed one solid" : ""}`);
      };
      const [d, plus, minus] = v.sides;
      sides(figure, ...(dot(v.right, d) > 0 ? [minus, plus] : [plus, minus]));
      steps(figure, {label: `Step the cut: ${v.name}`, low: v.low, high: v.high, step: .5, value: v.start, say: place}, value => { at = value; show(); });
      return {show};
    });

    function draw(c, cut) {
      if (showStructures.checked) for (const s of data.Structures) {
        if (s.Triangles) wall(cut, c, {points: s.Points, triangles: s.Triangles}, Structure);
        else tube(cut, c, {points: s.Points, radius: s.Radius}, Structure);
      }
      if (showPlan.checked) outline(cut, c, planned, Plan, [.7, .45]);
      if (placed && showPlaced.checked) outline(cut, c, placed, Placed);
    }
    const all = () => cuts.forEach(c => c.show());
    for (const input of [showPlan, showPlaced, showStructures, swipe, blend]) input.addEventListener("input", all);
    all();
    return section;
  }
}
