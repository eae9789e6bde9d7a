"use strict";
/* The page on which the artist marks the reference. All places are px of the reference, pixel centres at integers. */
(async () => {
  const $ = id => document.getElementById(id);
  const SVG = "http://www.w3.org/2000/svg";
  const start = await (await fetch("start.json")).json();
  const W = start.width, H = start.height;
  const NEEDED = { point: 1, line: 2, ellipse: 3, curve: 2 };
  const TOUCH = matchMedia("(pointer: coarse)").matches;
  const HINTS = {
    point: ["Click the point."],
    line: ["Click one end of the line.", "Click its other end."],
    curve: ["Click along the curve, from one end to the other.", "Click on; the line runs smoothly through the points."],
    ellipse: ["Click one end of the ellipse's width.", "Click the other end of its width.", "Click a point on its line, high or low."],
    move: ["Choose a mark to move its points; click on its line to add one."],
  };

  // ------------------------------------------------------------ what is known

  let tool = "point", draft = null, chosen = -1, point = -1, zoom = 1, saved = false, tried = false, problems = [];
  let cross = [W / 2, H / 2], crossShown = false, pointer = null;
  let state = fromDocument(start.marks);
  let kept = JSON.stringify(state);
  const past = [], future = [];

  function fromDocument(given) {
    const { marks, subject, reference, "featurediff-marks": _, ...more } = given;
    return { subject: subject || "", more, marks: marks.map(markFrom) };
  }

  function markFrom(given) {
    const kind = ["point", "line", "curve", "ellipse"].find(k => k in given);
    const { name, closed, part, importance, judge, edges, spots, class: grade } = given;
    const mark = { name, kind, points: [], corners: [], closed: !!closed, part: (part || []).join("/"), grade: grade || "B",
      importance: importance ?? 0.5, judge: judge || [], edges: edges !== false, spots: spots || {} };
    if (kind === "ellipse") mark.ellipse = { turn: 0, ...given.ellipse };
    else if (kind === "point") mark.points = [given.point];
    else {
      mark.points = given[kind].map(p => [p[0], p[1]]);
      mark.corners = given[kind].flatMap((p, k) => p[2] === "corner" ? [k] : []);
    }
    return mark;
  }

  function toDocument() {
    const round = v => Math.round(v * 10) / 10, at = p => p.map(round);
    const marks = state.marks.map(m => {
      const told = { name: m.name.trim() };
      if (m.kind === "point") told.point = at(m.points[0]);
      else if (m.kind === "ellipse") {
        const e = m.ellipse;
        told.ellipse = { middle: at(e.middle), width: round(e.width), height: round(e.height), turn: round(e.turn) };
      } else told[m.kind] = m.points.map((p, k) => m.corners.includes(k) ? [...at(p), "corner"] : at(p));
      if (m.closed) told.closed = true;
      if (m.part.trim()) told.part = m.part.split("/").map(w => w.trim()).filter(Boolean);
      if (m.grade !== "B") told.class = m.grade;
      if (m.importance !== 0.5) told.importance = m.importance;
      if (m.judge.length) told.judge = m.judge;
      if (!m.edges) told.edges = false;
      if (Object.keys(m.spots).length) told.spots = m.spots;
      return told;
    });
    return { "featurediff-marks": 1, subject: state.subject.trim(), ...stillThere(marks), marks };
  }

  /* What the file says about parts, without those that no mark belongs to any more. */
  function stillThere(marks) {
    const more = { ...state.more }, paths = marks.map(m => [...(m.part || []), m.name]);
    const known = part => paths.some(path => [].concat(part).join("/").split("/").every((word, k) => path[k] === word));
    if (more.groups) more.groups = more.groups.filter(g => known(g.part));
    if (more.pairs) more.pairs = more.pairs.filter(p => known(p.left) && known(p.right));
    if (more.gaps) more.gaps = more.gaps.filter(g => g.beyond.length);
    return more;
  }

  // ------------------------------------------------------------ changing it

  function change(what) {
    past.push(JSON.stringify(state));
    future.length = 0;
    what();
    problems = [];
    show();
  }

  function back() {
    if (draft) { dropLast(); return; }
    if (!past.length) return;
    future.push(JSON.stringify(state));
    state = JSON.parse(past.pop());
    afterJump();
  }

  function forth() {
    if (!future.length) return;
    past.push(JSON.stringify(state));
    state = JSON.parse(future.pop());
    afterJump();
  }

  function afterJump() {
    chosen = Math.min(chosen, state.marks.length - 1);
    point = -1;
    problems = [];
    show();
  }

  function inside([x, y]) {
    const clamp = (v, side) => Math.round(Math.min(Math.max(v, 0), side - 1) * 10) / 10;
    return [clamp(x, W), clamp(y, H)];
  }

  function place(at) {
    at = inside(at);
    if (tool === "move") { choose(-1); return; }
    if (!draft) { draft = { kind: tool, points: [], corners: [] }; chosen = point = -1; }
    const last = draft.points[draft.points.length - 1];
    if (last && Shapes.dist(last, at) < 0.5) return;
    if (draft.kind === "curve" && draft.points.length > 2 && Shapes.dist(draft.points[0], at) * zoom < 10) { finish(true); return; }
    draft.points.push(at);
    if (draft.kind !== "curve" && draft.points.length === NEEDED[draft.kind]) finish(false);
    else show();
  }

  function finish(closed) {
    if (!draft || draft.points.length < NEEDED[draft.kind] || (closed && draft.points.length < 3)) return;
    const { kind, points, corners } = draft;
    draft = null;
    change(() => {
      const mark = { name: "", kind, points, corners, closed, part: lastPart(), grade: "B", importance: 0.5, judge: [], edges: true, spots: {} };
      if (kind === "ellipse") { mark.ellipse = Shapes.ellipse(...points); mark.points = []; }
      state.marks.push(mark);
      chosen = state.marks.length - 1;
      point = -1;
    });
    const field = $("marks").querySelector("li.chosen input.name");
    if (field && !TOUCH) field.focus();
    else if (field) field.scrollIntoView({ block: "nearest" });
  }

  function lastPart() { return state.marks.length ? state.marks[state.marks.length - 1].part : ""; }

  function dropLast() {
    if (!draft) return;
    draft.points.pop();
    draft.corners = draft.corners.filter(k => k < draft.points.length);
    if (!draft.points.length) draft = null;
    show();
  }

  function choose(mark, at = -1) { draft = null; chosen = mark; point = at; show(); }

  function removePoint() {
    const m = state.marks[chosen];
    if (!m) return;
    const least = m.kind === "curve" ? (m.closed ? 3 : 2) : Infinity;
    if (point < 0 || m.points.length <= least) { removeMark(chosen); return; }
    change(() => {
      const gone = point, moved = k => k > gone ? k - 1 : k;
      m.points.splice(gone, 1);
      m.corners = m.corners.filter(k => k !== gone).map(moved);
      m.spots = Object.fromEntries(Object.entries(m.spots).filter(([, k]) => k - 1 !== gone).map(([n, k]) => [n, moved(k - 1) + 1]));
      point = Math.min(gone, m.points.length - 1);
    });
  }

  function addPoint(mark, at) {
    const m = state.marks[mark], count = m.points.length;
    let best = 0, least = Infinity;
    for (let k = 0; k < (m.closed ? count : count - 1); k++) {
      const a = m.points[k], b = m.points[(k + 1) % count];
      const detour = Shapes.dist(a, at) + Shapes.dist(at, b) - Shapes.dist(a, b);
      if (detour < least) { least = detour; best = k + 1; }
    }
    change(() => {
      m.points.splice(best, 0, inside(at));
      m.corners = m.corners.map(k => k >= best ? k + 1 : k);
      m.spots = Object.fromEntries(Object.entries(m.spots).map(([n, k]) => [n, k - 1 >= best ? k + 1 : k]));
      chosen = mark;
      point = best;
    });
  }

  function removeMark(k) {
    change(() => {
      const name = state.marks[k].name;
      state.marks.splice(k, 1);
      forget(name);
      chosen = point = -1;
    });
  }

  /* What was written by hand about a mark that is gone, or has another name now. */
  function forget(name, other) {
    const swap = names => other === undefined ? names.filter(n => n !== name) : names.map(n => n === name ? other : n);
    if (state.marks.some(m => m.name === name)) return;
    const more = state.more;
    if (more.corners) more.corners = more.corners.map(c => ({ ...c, lines: swap(c.lines) })).filter(c => c.lines.length > 1);
    if (more.gaps) more.gaps = more.gaps.map(g => ({ ...g, beyond: swap(g.beyond) }));
    for (const key of ["corners", "gaps"]) if (more[key] && !more[key].length) delete more[key];
  }

  function turnCorner() {
    if (draft && draft.kind === "curve") {
      const k = draft.points.length - 1;
      draft.corners = draft.corners.includes(k) ? draft.corners.filter(c => c !== k) : [...draft.corners, k];
      show();
      return;
    }
    const m = state.marks[chosen];
    if (!m || m.kind !== "curve" || point < 0) return;
    change(() => { m.corners = m.corners.includes(point) ? m.corners.filter(c => c !== point) : [...m.corners, point].sort((a, b) => a - b); });
  }

  /* The points by which a mark is moved. */
  function handlesOf(m) {
    if (m.kind !== "ellipse") return m.points;
    const e = m.ellipse, t = e.turn * Math.PI / 180, c = Math.cos(t), s = Math.sin(t), [x, y] = e.middle;
    return [[x, y], [x - c * e.width / 2, y - s * e.width / 2], [x + c * e.width / 2, y + s * e.width / 2], [x + s * e.height / 2, y - c * e.height / 2]];
  }

  function moveHandle(m, k, at) {
    at = inside(at);
    if (m.kind !== "ellipse") { m.points[k] = at; return; }
    const e = m.ellipse, all = handlesOf(m);
    if (k === 0) e.middle = at;
    else if (k === 3) {
      const t = e.turn * Math.PI / 180;
      e.height = Math.max(2 * Math.abs((at[1] - e.middle[1]) * Math.cos(t) - (at[0] - e.middle[0]) * Math.sin(t)), 3);
    } else {
      const height = e.height, [a, b] = k === 1 ? [at, all[2]] : [all[1], at];
      Object.assign(e, Shapes.ellipse(a, b, [a[0], a[1]]), { height });
    }
  }

  function names() {
    const count = {};
    for (const m of state.marks) { const n = m.name.trim().toLowerCase(); if (n) count[n] = (count[n] || 0) + 1; }
    return state.marks.map(m => {
      const n = m.name.trim();
      if (!n) return "no name yet";
      if (count[n.toLowerCase()] > 1) return "another mark has this name";
      if (n.length > start.longest_name) return `a name has ${start.longest_name} letters at most`;
      const bad = [...n].find(c => "/\\~,".includes(c));
      return bad ? `a name can't have ${bad}` : "";
    });
  }

  // ------------------------------------------------------------ showing it

  function make(tag, attributes = {}, ...inner) {
    const made = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    made.append(...inner);
    return made;
  }

  const path = (points, closed) => points.length ? "M" + points.map(p => p.map(v => v.toFixed(2)).join(" ")).join("L") + (closed ? "Z" : "") : "";

  function lineOf(m) {
    if (m.kind === "ellipse") return Shapes.around(m.ellipse);
    return m.kind === "curve" ? Shapes.through(m.points, m.corners, m.closed) : m.points;
  }

  function show() {
    const held = document.activeElement?.dataset?.key;
    showPicture();
    showList();
    showTools();
    if (held) document.querySelector(`[data-key="${CSS.escape(held)}"]`)?.focus({ preventScroll: true });
  }

  function showPicture() {
    const px = 1 / zoom;
    $("picture").classList.toggle("moving", tool === "move");
    $("lines").replaceChildren(...state.marks.map((m, k) => {
      const group = make("g", { class: k === chosen ? "chosen" : "" }), line = lineOf(m);
      if (m.kind === "point") {
        group.append(make("circle", { class: "spot", cx: m.points[0][0], cy: m.points[0][1], r: 5 * px }));
        const hit = make("circle", { class: "hit", cx: m.points[0][0], cy: m.points[0][1], r: 9 * px });
        hit.style.pointerEvents = "all";
        hit.addEventListener("click", e => onLine(e, k));
        group.append(hit);
      } else {
        const d = path(line, m.closed);
        group.append(make("path", { class: "under", d }), make("path", { class: "over", d }));
        const hit = make("path", { class: "hit", d });
        hit.addEventListener("click", e => onLine(e, k));
        group.append(hit);
      }
      const [x, y] = tagPlace(m, line);
      const tag = make("text", { class: "tag", x: x + 9 * px, y: y - 7 * px, "font-size": 15 * px, "stroke-width": 4 * px });
      tag.textContent = k + 1;
      group.append(tag);
      return group;
    }));
    showHandles(px);
    showDraft(px);
    const arm = 14 * px, [x, y] = cross, d = `M${x - arm} ${y}H${x + arm}M${x} ${y - arm}V${y + arm}`;
    $("cross").replaceChildren(make("path", { class: "light", d }), make("path", { d }));
    $("cross").toggleAttribute("hidden", !crossShown);
  }

  function tagPlace(m, line) {
    if (m.kind === "ellipse") return [m.ellipse.middle[0] + m.ellipse.width / 2, m.ellipse.middle[1]];
    if (m.kind === "line") return [(line[0][0] + line[1][0]) / 2, (line[0][1] + line[1][1]) / 2];
    return line[Math.floor(line.length / 2)];
  }

  function showHandles(px) {
    const m = state.marks[chosen];
    if (!m || draft) { $("handles").replaceChildren(); return; }
    const what = m.kind === "ellipse" ? ["middle", "one end", "other end", "height"] : [];
    $("handles").replaceChildren(...handlesOf(m).map((at, k) => {
      const corner = m.corners.includes(k), r = 6.5 * px;
      const handle = make("g", { class: "handle" + (k === point ? " on" : ""), tabindex: 0, role: "button", "data-key": `handle ${chosen} ${k}`,
        "aria-label": `${what[k] || `point ${k + 1}`} of ${m.name || "this mark"}${corner ? ", a corner" : ""}` });
      handle.append(make("circle", { class: "reach", cx: at[0], cy: at[1], r: (TOUCH ? 22 : 12) * px }));
      handle.append(corner ? make("rect", { class: "dot", x: at[0] - r, y: at[1] - r, width: 2 * r, height: 2 * r })
        : make("circle", { class: "dot", cx: at[0], cy: at[1], r }));
      handle.addEventListener("pointerdown", e => drag(e, k));
      handle.addEventListener("click", e => e.stopPropagation());
      handle.addEventListener("focus", () => { if (point !== k) { point = k; show(); } });
      handle.addEventListener("keydown", e => onHandleKey(e, k));
      return handle;
    }));
  }

  function showDraft(px) {
    if (!draft) { $("draft").replaceChildren(); return; }
    const next = pointer && !TOUCH ? [...draft.points, pointer] : draft.points;
    const line = draft.kind === "ellipse" && next.length > 2 ? Shapes.around(Shapes.ellipse(...next))
      : draft.kind === "curve" ? Shapes.through(next, draft.corners, false) : next;
    const dots = draft.points.map(([x, y], k) => draft.corners.includes(k)
      ? make("rect", { class: "dot", x: x - 5 * px, y: y - 5 * px, width: 10 * px, height: 10 * px })
      : make("circle", { class: "dot", cx: x, cy: y, r: 5 * px }));
    const d = path(line);
    $("draft").replaceChildren(make("path", { class: "under", d }), make("path", { class: "over", d }), ...dots);
  }

  function showTools() {
    for (const button of document.querySelectorAll("[data-tool]")) button.setAttribute("aria-pressed", button.dataset.tool === tool);
    $("undo").disabled = !past.length && !draft;
    $("redo").disabled = !future.length;
    const m = state.marks[chosen], count = draft ? draft.points.length : 0, curve = draft?.kind === "curve";
    const hints = HINTS[draft ? draft.kind : tool];
    let hint = hints[Math.min(count, hints.length - 1)];
    if (curve && count > 1) hint = TOUCH ? "Go on, or press Done." : "Go on; Enter ends it, a click on its first point closes it.";
    if (!draft && m) hint = `Chosen: ${m.name || `mark ${chosen + 1}`}. Drag its points${m.kind === "curve" ? "; click on its line to add one" : ""}.`;
    $("hint").textContent = hint;
    $("done").hidden = !(curve && count > 1);
    $("close").hidden = !(curve && count > 2);
    $("back").hidden = !draft;
    const onCurve = !draft && m?.kind === "curve" && point >= 0;
    $("corner").hidden = !(curve || onCurve);
    $("corner").setAttribute("aria-pressed", curve ? draft.corners.includes(count - 1) : onCurve && m.corners.includes(point));
    $("remove").hidden = !onCurve;
  }

  function html(tag, values = {}, ...inner) {
    const made = Object.assign(document.createElement(tag), values);
    made.append(...inner);
    return made;
  }

  function showList() {
    const wrong = names();
    $("none").hidden = state.marks.length > 0;
    showRows(wrong);
    const own = $("marks").querySelector("li.chosen"), list = $("marks");
    if (own && list.scrollHeight > list.clientHeight) {
      const top = own.offsetTop, low = top + own.offsetHeight - list.clientHeight;
      list.scrollTop = Math.min(Math.max(list.scrollTop, low), top);
    }
    if ($("subject").value !== state.subject) $("subject").value = state.subject;
    $("subject").classList.toggle("bad", tried && !state.subject.trim());
    const count = wrong.filter(Boolean).length, all = state.marks.length;
    const missing = wrong.filter(w => w === "no name yet").length, doubled = wrong.filter(w => w.startsWith("another")).length;
    const told = [`${all} mark${all === 1 ? "" : "s"}`];
    if (missing) told.push(`${missing} without a name`);
    if (doubled) told.push(`${doubled} with a name that is taken`);
    if (count > missing + doubled) told.push(`${count - missing - doubled} with a name that can't be kept`);
    if (all && all < 3) told.push("three are needed for a comparison");
    $("state").textContent = told.join(", ") + ".";
    $("problems").replaceChildren(...problems.map(text => html("li", { textContent: text })));
  }

  /* Rows stay as they are where they can: a click that also ends a name's typing must find its button still there. */
  function showRows(wrong) {
    const list = $("marks"), old = [...list.children];
    state.marks.forEach((m, k) => {
      let item = old[k];
      if (!item || item.dataset.kind !== kindOf(m)) {
        const made = row(m, k);
        item ? item.replaceWith(made) : list.append(made);
        item = made;
      }
      const field = item.querySelector("input.name"), told = item.querySelector(".wrong");
      if (document.activeElement !== field) field.value = m.name;
      item.className = (k === chosen ? "chosen " : "") + (wrong[k] ? "bad" : "");
      told.textContent = tried || wrong[k] !== "no name yet" || k !== chosen ? wrong[k] : "";
      item.querySelector(".kind").setAttribute("aria-expanded", k === chosen);
      const { name, points, ellipse, ...rest } = m, key = k === chosen ? JSON.stringify([rest, points.length]) : "";
      const more = item.querySelector(".more");
      if (key !== (more ? more.dataset.made : "")) {
        more?.remove();
        if (key) item.append(details(m, k, key));
      }
    });
    old.slice(state.marks.length).forEach(item => item.remove());
  }

  const kindOf = m => m.kind === "curve" && m.closed ? "outline" : m.kind;

  function row(m, k) {
    const item = html("li");
    item.dataset.kind = kindOf(m);
    const field = html("input", { className: "name", placeholder: "name it", maxLength: 200, autocomplete: "off" });
    field.dataset.key = `name ${k}`;
    field.setAttribute("aria-label", `name of mark ${k + 1}`);
    field.addEventListener("focus", () => { if (chosen !== k) choose(k); });
    field.addEventListener("change", () => rename(k, field.value));
    field.addEventListener("keydown", e => {
      if (e.key === "Enter") { rename(k, field.value); $("picture").focus(); }
      e.stopPropagation();
    });
    const kind = html("button", { type: "button", className: "kind", textContent: kindOf(m) });
    kind.dataset.key = `kind ${k}`;
    kind.setAttribute("aria-label", `mark ${k + 1}, ${kindOf(m)}: more about it`);
    kind.addEventListener("click", () => { choose(k === chosen ? -1 : k); if (chosen === k) lookAt(state.marks[k]); });
    item.append(html("div", { className: "head" }, html("span", { className: "rank", textContent: k + 1 }), field, kind));
    item.append(html("p", { className: "wrong" }));
    return item;
  }

  function rename(k, value) {
    const m = state.marks[k];
    if (!m || m.name === value) return;
    const before = m.name;
    change(() => { m.name = value; if (before.trim() && value.trim()) forget(before, value.trim()); });
  }

  function details(m, k, key) {
    const more = html("div", { className: "more" });
    more.dataset.made = key;
    const set = (name, value) => change(() => { state.marks[k][name] = value; });
    const setting = (label, control, className = "") => {
      control.dataset.key = `${label} ${k}`;
      more.append(html("label", { className }, label, control));
    };
    const part = html("input", { value: m.part, placeholder: "kettle/lid", autocomplete: "off" });
    part.addEventListener("change", () => set("part", part.value));
    part.addEventListener("keydown", e => e.stopPropagation());
    setting("Belongs to", part, "wide");
    const grade = html("select", {}, ...[["A", "A: seen first"], ["B", "B: as most"], ["C", "C: forgives"]].map(([v, t]) => html("option", { value: v, textContent: t, selected: v === m.grade })));
    grade.addEventListener("change", () => set("grade", grade.value));
    setting("Strictness", grade);
    const levels = [0.2, 0.5, 0.8, 1], texts = { 0.2: "little", 0.5: "as most", 0.8: "much", 1: "most of all" };
    if (!levels.includes(m.importance)) levels.push(m.importance);
    const weight = html("select", {}, ...levels.sort((a, b) => a - b).map(v => html("option", { value: v, textContent: texts[v] || v, selected: v === m.importance })));
    weight.addEventListener("change", () => set("importance", Number(weight.value)));
    setting("Matters", weight);
    if (m.kind === "curve") {
      const closed = html("input", { type: "checkbox", checked: m.closed, disabled: m.points.length < 3 });
      closed.addEventListener("change", () => set("closed", closed.checked));
      closed.dataset.key = `closed ${k}`;
      more.append(html("label", { className: "tick" }, closed, "a closed outline"));
      if (m.corners.length) {
        const edges = html("input", { type: "checkbox", checked: m.edges });
        edges.addEventListener("change", () => set("edges", edges.checked));
        edges.dataset.key = `edges ${k}`;
        more.append(html("label", { className: "tick" }, edges, "told edge by edge, from corner to corner"));
      }
    }
    const gone = html("button", { type: "button", className: "delete", textContent: "Delete this mark" });
    gone.addEventListener("click", () => removeMark(k));
    more.append(gone);
    return more;
  }

  // ------------------------------------------------------------ looking closer

  function setZoom(value, about) {
    const box = $("scroll"), fit = Math.min(box.clientWidth / W, box.clientHeight / H);
    value = Math.min(Math.max(value, Math.min(fit, 1)), Math.max(16, 2 * fit));
    const middle = about || [(box.scrollLeft + box.clientWidth / 2) / zoom, (box.scrollTop + box.clientHeight / 2) / zoom];
    const x = middle[0] * zoom - box.scrollLeft, y = middle[1] * zoom - box.scrollTop;
    zoom = value;
    $("picture").setAttribute("width", W * zoom);
    $("picture").setAttribute("height", H * zoom);
    showPicture();
    box.scrollLeft = middle[0] * zoom - (about ? x : box.clientWidth / 2);
    box.scrollTop = middle[1] * zoom - (about ? y : box.clientHeight / 2);
  }

  function fit() {
    const box = $("scroll");
    setZoom(Math.min((box.clientWidth - 1) / W, (box.clientHeight - 1) / H));
  }

  function lookAt(m) {
    const box = $("scroll"), line = lineOf(m), [x, y] = line[Math.floor(line.length / 2)];
    if (W * zoom > box.clientWidth || H * zoom > box.clientHeight) {
      box.scrollTo({ left: x * zoom - box.clientWidth / 2, top: y * zoom - box.clientHeight / 2 });
    }
  }

  function lens(at) {
    const box = $("scroll").getBoundingClientRect();
    $("lens").toggleAttribute("hidden", !at);
    if (!at) return;
    const half = 36 / Math.max(zoom, 0.25) * 0.5, seen = at[0] * zoom - $("scroll").scrollLeft, low = at[1] * zoom - $("scroll").scrollTop;
    $("lens").classList.toggle("left", seen > box.width / 2 && low > box.height / 2);
    $("lens").setAttribute("viewBox", `${at[0] - half} ${at[1] - half} ${2 * half} ${2 * half}`);
    $("lens-cross").setAttribute("d", `M${at[0] - half} ${at[1]}h${0.8 * half}m${0.4 * half} 0h${0.8 * half}M${at[0]} ${at[1] - half}v${0.8 * half}m0 ${0.4 * half}v${0.8 * half}`);
  }

  // ------------------------------------------------------------ mouse, finger, keys

  function where(e) {
    const box = $("picture").getBoundingClientRect();
    return inside([(e.clientX - box.left) / zoom - 0.5, (e.clientY - box.top) / zoom - 0.5]);
  }

  function onLine(e, k) {
    if (draft) return; // the click goes on to the picture: a point may lie on another mark
    if (tool !== "move" && k !== chosen) return;
    e.stopPropagation();
    if (k === chosen && state.marks[k].kind === "curve") addPoint(k, where(e));
    else choose(k);
  }

  function drag(e, k) {
    if (e.button > 0) return;
    e.preventDefault();
    e.stopPropagation();
    const m = state.marks[chosen], before = JSON.stringify(state), from = where(e), first = handlesOf(m)[k];
    point = k;
    let moved = false;
    const onMove = event => {
      const at = where(event);
      if (!moved && Shapes.dist(at, from) * zoom < 3) return;
      moved = true;
      const to = inside([first[0] + at[0] - from[0], first[1] + at[1] - from[1]]);
      moveHandle(m, k, to);
      lens(to);
      showPicture();
    };
    const onUp = () => {
      removeEventListener("pointermove", onMove);
      removeEventListener("pointerup", onUp);
      removeEventListener("pointercancel", onUp);
      lens(null);
      if (moved) { past.push(before); future.length = 0; problems = []; }
      show();
      document.querySelector(`[data-key="handle ${chosen} ${k}"]`)?.focus({ preventScroll: true });
    };
    addEventListener("pointermove", onMove);
    addEventListener("pointerup", onUp);
    addEventListener("pointercancel", onUp);
  }

  const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

  function onHandleKey(e, k) {
    if (e.key in STEPS) {
      const by = e.shiftKey ? 0.5 : Math.max(1, Math.round(2 / zoom)), m = state.marks[chosen], at = handlesOf(m)[k];
      change(() => moveHandle(m, k, [at[0] + by * STEPS[e.key][0], at[1] + by * STEPS[e.key][1]]));
    } else if (e.key === "Delete" || e.key === "Backspace") removePoint();
    else return;
    e.preventDefault();
    e.stopPropagation();
  }

  function onPictureKey(e) {
    if (e.key in STEPS) {
      const by = e.shiftKey ? 1 : Math.max(1, Math.round(10 / zoom));
      crossShown = true;
      cross = inside([cross[0] + by * STEPS[e.key][0], cross[1] + by * STEPS[e.key][1]]);
      pointer = cross;
      showPicture();
      lens(cross);
    } else if (e.key === " ") { if (crossShown) place(cross); crossShown = true; showPicture(); }
    else return;
    e.preventDefault();
  }

  addEventListener("keydown", e => {
    const typing = e.target.matches?.("input, select, textarea");
    const command = e.ctrlKey || e.metaKey, key = e.key.toLowerCase();
    if (command && key === "z" && !typing) { e.preventDefault(); e.shiftKey ? forth() : back(); return; }
    if (command && key === "y" && !typing) { e.preventDefault(); forth(); return; }
    if (command || e.altKey || typing) return;
    const tools = { p: "point", l: "line", c: "curve", e: "ellipse", m: "move" };
    if (key in tools) setTool(tools[key]);
    else if (key === "enter" && draft) { e.preventDefault(); finish(false); }
    else if (key === "o" && draft) finish(true);
    else if (key === "k") turnCorner();
    else if (key === "escape") { draft = null; choose(-1); }
    else if (key === "backspace" && draft) { e.preventDefault(); dropLast(); }
    else if (key === "delete" && !draft && chosen >= 0) removePoint();
    else if (key === "+" || key === "=") setZoom(zoom * 1.4);
    else if (key === "-") setZoom(zoom / 1.4);
    else if (key === "0") fit();
  });

  function setTool(name) {
    if (draft && draft.kind !== name) draft = null;
    tool = name;
    if (name !== "move") chosen = point = -1;
    show();
  }

  // ------------------------------------------------------------ saving

  async function save() {
    document.activeElement?.blur();
    tried = true;
    if (draft) finish(false);
    const wrong = names();
    problems = [];
    if (!state.subject.trim()) problems.push("Say above what is drawn.");
    if (!state.marks.length) problems.push("Nothing is marked yet.");
    if (wrong.some(Boolean)) problems.push("Some marks can't be kept under their names.");
    if (problems.length) {
      const first = wrong.findIndex(Boolean);
      if (!state.subject.trim()) { show(); $("subject").focus(); }
      else if (first >= 0) { choose(first); document.querySelector(`[data-key="name ${first}"]`)?.focus(); }
      else show();
      return;
    }
    $("save").disabled = true;
    try {
      const answer = await fetch("save", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ marks: toDocument() }) });
      const kind = answer.headers.get("Content-Type") || "";
      const said = kind.startsWith("application/json") ? await answer.json() : { problems: [await answer.text()] };
      if (answer.ok) {
        saved = true;
        $("said").textContent = said.saved;
        $("page").hidden = true;
        $("after").hidden = false;
        return;
      }
      problems = said.problems.map(text => text.replace(/^marks:\d+:\d+: /, ""));
    } catch {
      problems = ["The program that keeps the marks has ended. Leave this page open, start 'featurediff mark' again, and mark anew there."];
    }
    $("save").disabled = false;
    show();
  }

  // ------------------------------------------------------------ begin

  $("file").textContent = `${start.reference}, ${W} × ${H} px; saved in ${start.file}`;
  const whole = { x: -0.5, y: -0.5, width: W, height: H, preserveAspectRatio: "none", href: "reference.jpg" };
  for (const id of ["image", "lens-image"]) for (const [name, value] of Object.entries(whole)) $(id).setAttribute(name, value);
  $("picture").setAttribute("viewBox", `-0.5 -0.5 ${W} ${H}`);
  for (const button of document.querySelectorAll("[data-tool]")) button.addEventListener("click", () => setTool(button.dataset.tool));
  $("undo").addEventListener("click", back);
  $("redo").addEventListener("click", forth);
  $("in").addEventListener("click", () => setZoom(zoom * 1.4));
  $("out").addEventListener("click", () => setZoom(zoom / 1.4));
  $("fit").addEventListener("click", fit);
  $("done").addEventListener("click", () => finish(false));
  $("close").addEventListener("click", () => finish(true));
  $("back").addEventListener("click", dropLast);
  $("corner").addEventListener("click", turnCorner);
  $("remove").addEventListener("click", removePoint);
  $("save").addEventListener("click", save);
  $("subject").addEventListener("change", () => change(() => { state.subject = $("subject").value; }));
  $("subject").addEventListener("keydown", e => { if (e.key === "Enter") $("picture").focus(); });
  $("picture").addEventListener("click", e => { crossShown = false; cross = where(e); place(cross); });
  $("picture").addEventListener("dblclick", e => { e.preventDefault(); if (draft) finish(false); });
  $("picture").addEventListener("keydown", onPictureKey);
  $("picture").addEventListener("blur", () => { lens(null); });
  $("picture").addEventListener("pointermove", e => {
    if (e.pointerType === "touch") return;
    pointer = where(e);
    if (draft) showDraft(1 / zoom);
    lens(tool === "move" ? null : pointer);
  });
  $("picture").addEventListener("pointerleave", () => { pointer = null; lens(null); if (draft) showDraft(1 / zoom); });
  $("scroll").addEventListener("wheel", e => {
    if (!e.ctrlKey) return;
    e.preventDefault();
    setZoom(zoom * Math.exp(-e.deltaY / 300), where(e));
  }, { passive: false });
  addEventListener("beforeunload", e => { if (!saved && (draft || JSON.stringify(state) !== kept)) e.preventDefault(); });
  let wide = innerWidth; // a phone's keyboard changes the height only
  addEventListener("resize", () => { if (innerWidth !== wide) { wide = innerWidth; fit(); } });
  fit();
  show();
})();
