// Points and directions of the patient: left, back, up, in mm.
export const add = (a, b) => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
export const sub = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
export const scale = (k, a) => [k * a[0], k * a[1], k * a[2]];
export const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
export const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
export const norm = a => Math.hypot(...a);
export const unit = a => scale(1 / norm(a), a);
// across is the part of v at a right angle to the unit vector a, as a unit vector.
export const across = (v, a) => unit(sub(v, scale(dot(v, a), a)));
// turned is v turned by an angle about the unit vector a (Rodrigues' formula).
export const turned = (v, a, angle) =>
  add(add(scale(Math.cos(angle), v), scale(Math.sin(angle), cross(a, v))), scale(dot(a, v) * (1 - Math.cos(angle)), a));
