"use strict";
(function () {
  var form = document.getElementById("choose-form");
  if (!form) return;
  var data = JSON.parse(document.getElementById("choose-data").textContent);
  var box = document.getElementById("filtered"), said = document.getElementById("choose-said");
  var body = document.querySelector("#choose-table tbody");
  var selects = Array.prototype.slice.call(form.querySelectorAll("select"));
  var source = document.querySelector('script[data-for="filtered"]');
  function whole(n) { return n.toLocaleString("en-US"); }
  function line(points, place) {
    return [0].concat(points.map(function (p) { return p[place]; }));
  }
  function sentence(outcome, part, all) {
    if (!part) return "Fewer than " + data.smallest + " such teeth: nothing is shown of so few.";
    var text = whole(part[0]) + " " + outcome.many + " of " + whole(part[1]) + " patients: ";
    var told = part[2].filter(function (_, i) { return data.years[i] <= 5; }), p = told[told.length - 1];
    if (!p) return text + "too few are followed for a figure.";
    var y = data.years[told.length - 1];
    return text + p[4] + " of 100 " + outcome.bad + " by " + y + (y === 1 ? " year" : " years") + " (range " + p[5] +
      " to " + p[6] + "); " + whole(p[3]) + " still followed then." +
      (part === all ? "" : " All teeth, whoever and whenever: " + all[2][told.length - 1][4] + ".");
  }
  function cell(row, tag, text) {
    var made = document.createElement(tag);
    made.textContent = text;
    if (tag === "th") made.scope = "row";
    row.appendChild(made);
  }
  function fill(points) {
    body.textContent = "";
    points.forEach(function (p, i) {
      var row = document.createElement("tr");
      cell(row, "th", data.years[i]);
      cell(row, "td", p[4]);
      cell(row, "td", p[5] + " to " + p[6]);
      cell(row, "td", whole(p[3]));
      body.appendChild(row);
    });
  }
  function show() {
    var chosen = selects.map(function (s) { return s.value; });
    var part = data.parts[chosen.join("/")];
    var all = data.parts[[chosen[0]].concat(chosen.slice(1).map(function () { return "0"; })).join("/")];
    var outcome = data.outcomes[chosen[0]], points = part ? part[2] : [];
    said.textContent = sentence(outcome, part, all);
    fill(points);
    var years = [0].concat(data.years), x = points.length ? years.slice(0, points.length + 1) : [];
    var lines = points.length ? [line(points, 2), line(points, 1), line(points, 0)] : [[], [], []];
    var spec = JSON.parse(source.textContent);
    lines.concat([line(all[2], 0)]).forEach(function (y, i) {
      spec.data[i].x = i < 3 ? x : years.slice(0, y.length);
      spec.data[i].y = y;
    });
    // What is shown is kept where the page keeps its charts, so that a change of colours or size draws it again.
    source.textContent = JSON.stringify(spec);
    var top = Math.max.apply(null, lines[0].concat(line(all[2], 2), [1]));
    top = Math.ceil(top / 5) * 5;
    spec.layout.yaxis.range = [0, top];
    source.textContent = JSON.stringify(spec);
    box.setAttribute("aria-label", said.textContent);
    if (box.classList.contains("js-plotly-plot")) {
      Plotly.restyle(box, { x: spec.data.map(function (d) { return d.x; }), y: spec.data.map(function (d) { return d.y; }) });
      Plotly.relayout(box, { "yaxis.range": [0, top] });
    }
  }
  form.hidden = false;
  form.addEventListener("change", show);
})();
