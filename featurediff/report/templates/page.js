/* The plumb line and the level line that go through both pictures. Without this script the page reads and prints the same. */
(function () {
  "use strict";
  var view = JSON.parse(document.getElementById("view").textContent);
  var looks = Array.prototype.slice.call(document.querySelectorAll("svg.look"));
  var controls = document.getElementById("controls");
  var show = document.getElementById("show");
  var hold = document.getElementById("hold");
  var lines = {
    plumb: { range: document.getElementById("plumb"), said: document.getElementById("plumb-said"), from: view.x, size: view.width, edge: "left" },
    level: { range: document.getElementById("level"), said: document.getElementById("level-said"), from: view.y, size: view.height, edge: "top" }
  };

  document.documentElement.classList.remove("no-script");
  controls.hidden = false;

  function each(selector, change) {
    looks.forEach(function (look) {
      Array.prototype.forEach.call(look.querySelectorAll(selector), change);
    });
  }

  function draw(name) {
    var line = lines[name];
    var at = line.at;
    var words = at.toFixed(1) + " " + view.unit + " from the " + line.edge + " edge";
    line.said.textContent = words;
    line.range.setAttribute("aria-valuetext", words);
    each("." + name, function (drawn) {
      var across = name === "plumb";
      drawn.setAttribute("x1", across ? at : view.x);
      drawn.setAttribute("x2", across ? at : view.x + view.width);
      drawn.setAttribute("y1", across ? view.y : at);
      drawn.setAttribute("y2", across ? view.y + view.height : at);
    });
  }

  /* The slider shows the nearest half unit; the line itself goes exactly where it is put. */
  function place(name, at) {
    var line = lines[name];
    line.at = Math.min(Math.max(at, line.from), line.from + line.size);
    line.range.value = line.at;
    draw(name);
  }

  function put(x, y) {
    place("plumb", x);
    place("level", y);
  }

  function under(event, look) {
    var matrix = look.getScreenCTM();
    if (!matrix) { return; }
    var point = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse());
    put(point.x, point.y);
  }

  Object.keys(lines).forEach(function (name) {
    var line = lines[name];
    line.range.min = line.from.toFixed(1);
    line.range.max = (line.from + line.size).toFixed(1);
    line.range.step = 0.5;
    line.range.addEventListener("input", function () {
      line.at = Number(line.range.value);
      draw(name);
    });
    place(name, line.from + line.size / 2);
  });

  looks.forEach(function (look) {
    look.addEventListener("pointermove", function (event) {
      if (event.pointerType !== "touch" && !hold.checked) { under(event, look); }
    });
    look.addEventListener("click", function (event) {
      var touch = event.pointerType === "touch";
      if (touch || !hold.checked) { under(event, look); }
      hold.checked = touch || !hold.checked;
    });
  });

  show.addEventListener("change", function () {
    each(".guides", function (group) { group.classList.toggle("away", !show.checked); });
  });

  /* A line of the list that is chosen brings both lines to where its spot belongs. */
  function choose(place) {
    var found = /#(?:see|fix)-(\d+)$/.exec(place);
    var aim = found && view.aims[found[1]];
    if (aim) {
      put(aim[0], aim[1]);
      hold.checked = true;
    }
  }
  Array.prototype.forEach.call(document.querySelectorAll(".line, .mark"), function (link) {
    link.addEventListener("click", function () { choose(link.getAttribute("href")); });
  });
  window.addEventListener("hashchange", function () { choose(location.hash); });
  choose(location.hash);
})();
