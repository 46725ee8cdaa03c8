// A level cut through a scan, to step through.
import {Cut, steps, sides} from "./cut.js";

// level is a plane across the patient, seen as on a dental chart: front teeth up in the
// upper jaw, down in the lower one, the patient's right on the left.
export const level = (scan, z) => ({at: [scan.Centre[0], scan.Centre[1], z], right: [1, 0, 0], up: [0, scan.Upper ? -1 : 1, 0]});

// levelCut makes such a cut as large as the scan is.
export function levelCut(figure, scan, most) {
  const width = scan.High[0] - scan.Low[0], height = scan.High[1] - scan.Low[1];
  return new Cut(figure.querySelector(".cut"), {address: scan.Address, width, height, pixel: Math.max(width, height) / 480}).size(most);
}

export function begin(figure, scan) {
  const cut = levelCut(figure, scan, 480);
  const source = [{of: scan.Of, window: scan.Window}];
  const show = z => cut.show(level(scan, z), source);
  cut.name("A level cut through the planning scan");
  sides(figure, "patient's right", "patient's left");
  steps(figure, {label: "Height of the cut, mm above the middle of the scan", low: scan.Low[2], high: scan.High[2], step: .5, value: scan.Centre[2],
    say: z => `${(z - scan.Centre[2]).toFixed(1)} mm`}, show);
  show(scan.Centre[2]);
}
