"use strict";
/* The lines that marks stand for, as featurediff/marking/shapes.py has them: centripetal Catmull-Rom splines, ellipses. */
const Shapes = (() => {
  const FINE = 12;
  const dist = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);

  function spline(points) {
    const found = [points[1]];
    for (let k = 0; k + 3 < points.length; k++) {
      const [a, b, c, d] = points.slice(k, k + 4);
      const [one, two, three] = [[a, b], [b, c], [c, d]].map(([p, q]) => Math.max(Math.sqrt(dist(p, q)), 1e-6));
      const leave = [0, 1].map(i => two * ((b[i] - a[i]) / one - (c[i] - a[i]) / (one + two) + (c[i] - b[i]) / two));
      const arrive = [0, 1].map(i => two * ((c[i] - b[i]) / two - (d[i] - b[i]) / (two + three) + (d[i] - c[i]) / three));
      for (let n = 1; n <= FINE; n++) {
        const t = n / FINE, s = t * t, u = s * t;
        found.push([0, 1].map(i => (2 * u - 3 * s + 1) * b[i] + (u - 2 * s + t) * leave[i] + (3 * s - 2 * u) * c[i] + (u - s) * arrive[i]));
      }
    }
    return found;
  }

  function mirrored(end, next) { return [2 * end[0] - next[0], 2 * end[1] - next[1]]; }

  function through(points, corners, closed) {
    const count = points.length;
    if (count < 2) return points.slice();
    if (closed && count < 3) closed = false;
    if (closed && !corners.length) {
      return spline([points[count - 1], ...points, points[0], points[1]]);
    }
    let order, turns;
    if (closed) {
      const start = Math.min(...corners);
      order = [...Array(count + 1).keys()].map(k => (k + start) % count);
      turns = [...new Set([...corners.map(c => (c - start + count) % count), count])].sort((a, b) => a - b);
    } else {
      order = [...Array(count).keys()];
      turns = [...new Set([0, ...corners, count - 1])].sort((a, b) => a - b);
    }
    const found = [points[order[0]]];
    for (let k = 0; k + 1 < turns.length; k++) {
      const own = order.slice(turns[k], turns[k + 1] + 1).map(i => points[i]);
      found.push(...spline([mirrored(own[0], own[1]), ...own, mirrored(own[own.length - 1], own[own.length - 2])]).slice(1));
    }
    return found;
  }

  function around(e) {
    const turn = (e.turn || 0) * Math.PI / 180, c = Math.cos(turn), s = Math.sin(turn), found = [];
    for (let k = 0; k < 72; k++) {
      const x = e.width / 2 * Math.cos(k * Math.PI / 36), y = e.height / 2 * Math.sin(k * Math.PI / 36);
      found.push([e.middle[0] + x * c - y * s, e.middle[1] + x * s + y * c]);
    }
    found.push(found[0]);
    return found;
  }

  /* An ellipse from the two ends of its width, and a point on its line. */
  function ellipse(a, b, on) {
    const width = Math.max(dist(a, b), 3), middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    let turn = Math.atan2(b[1] - a[1], b[0] - a[0]);
    const u = (on[0] - middle[0]) * Math.cos(turn) + (on[1] - middle[1]) * Math.sin(turn);
    const v = (on[1] - middle[1]) * Math.cos(turn) - (on[0] - middle[0]) * Math.sin(turn);
    const share = Math.min(Math.abs(u) / (width / 2), 0.95);
    const height = Math.max(2 * Math.abs(v) / Math.sqrt(1 - share * share), 3);
    turn = turn * 180 / Math.PI;
    if (turn > 90) turn -= 180;
    if (turn <= -90) turn += 180;
    return { middle, width, height, turn };
  }

  return { through, around, ellipse, dist };
})();
