"use strict";
(function () {
  // 1600 x 900 pixels; a small chart is drawn at half of that and enlarged, so that its letters can be read on a wall.
  var WIDE = 1600, HIGH = 900;
  var LINE = 17;
  // The numbers at risk stand below the chart in the page; a picture travels without it and takes them along.
  function addFollowed(id, layout, from) {
    var table = document.getElementById(id).closest("figure").nextElementSibling, at = from;
    if (!table || !table.matches("table.under")) return;
    function write(text, x, font) {
      var of = x === null ? { xref: "paper", x: 0, xanchor: "left", xshift: 8 - layout.margin.l } : { x: x, xref: "x" };
      layout.annotations = (layout.annotations || []).concat([Object.assign(of, { showarrow: false, font: font, y: 0,
        yref: "paper", yanchor: "top", yshift: -at, text: text.replace(/&/g, "&amp;").replace(/</g, "&lt;") })]);
    }
    var hidden = table.textContent.indexOf("\u2013") >= 0 ? " (\u2013: not shown)" : "";
    write("Still followed" + hidden, null, { size: 13, color: "#53636a" });
    at += LINE;
    [].forEach.call(table.tBodies, function (group) {
      var name = group.rows[0].cells[0], numbers = group.rows[group.rows.length - 1].cells;
      write(name.textContent, null, { size: 12, color: name.getAttribute("style").match(/#[0-9a-f]{6}/)[0] });
      at += LINE;
      [].slice.call(table.tHead.rows[0].cells, 1).forEach(function (year, i) {
        write(numbers[i + 1].textContent, Number(year.textContent), { size: 12 });
      });
      at += LINE;
    });
    layout.margin.b += at - from;
  }
  // What the picture shows, since it travels without its page: its heading and the summary that it is folded under; of
  // a picture above all headings, what it says to those who do not see it.
  function title(id) {
    var figure = document.getElementById(id).closest("figure"), folded = figure.closest("details"), found = null;
    document.querySelectorAll("#main h2, #main h3").forEach(function (heading) {
      if (heading.compareDocumentPosition(figure) & Node.DOCUMENT_POSITION_FOLLOWING) { found = heading; }
    });
    if (!found) { return document.getElementById(id).getAttribute("aria-label"); }
    var of = [found, folded && folded.querySelector("summary")].filter(Boolean);
    return of.map(function (part) { return part.textContent.replace(/\s+/g, " ").trim(); }).join(". ");
  }
  // In lines that are no wider than the picture.
  function addTitle(id, layout) {
    var lines = [""], size = 15, most = 100;
    title(id).split(" ").forEach(function (word) {
      var last = lines.length - 1;
      if (lines[last] && (lines[last] + " " + word).length > most) { lines.push(word); }
      else { lines[last] = (lines[last] + " " + word).trim(); }
    });
    layout.margin.t += lines.length * (size + 5) + 8;
    layout.annotations = (layout.annotations || []).concat([{
      text: lines.map(function (line) { return line.replace(/&/g, "&amp;").replace(/</g, "&lt;"); }).join("<br>"),
      xref: "paper", x: 0, xanchor: "left", xshift: 8 - layout.margin.l, align: "left", yref: "paper", y: 1,
      yanchor: "top", yshift: layout.margin.t - 6, showarrow: false, font: { size: size } }]);
  }
  function drawing(id) {
    var source = document.querySelector('script[data-for="' + id + '"]');
    var spec = JSON.parse(source.textContent);
    var layout = spec.layout, margin = layout.margin || {}, seen = {};
    spec.data.forEach(function (trace) {
      trace.showlegend = Boolean(trace.name) && !seen[trace.name];
      seen[trace.name] = true;
    });
    var named = spec.data.some(function (trace) { return trace.showlegend; });
    layout.margin = { l: margin.l, r: Math.max(margin.r || 0, 24), t: (margin.t || 0) + (named ? 44 : 12),
      b: (margin.b || 0) + 30, autoexpand: false };
    addFollowed(id, layout, margin.b || 0);
    addTitle(id, layout);
    layout.showlegend = named;
    layout.legend = { traceorder: "normal", orientation: "h", x: 0, xanchor: "left", y: 1, yanchor: "bottom",
      font: { size: 13 } };
    layout.annotations = (layout.annotations || []).concat([{
      text: document.getElementById("main").getAttribute("data-note"), xref: "paper", yref: "paper", x: 1,
      xanchor: "right", y: 0, yanchor: "bottom", yshift: 8 - layout.margin.b, showarrow: false, font: { size: 11, color: "#53636a" } }]);
    layout.autosize = false;
    var high = layout.height + layout.margin.b + layout.margin.t - (margin.b || 0) - (margin.t || 0);
    layout.height = Math.max(HIGH / 2, 9 * Math.ceil(high / 9)); // so that the width is whole, too
    layout.width = layout.height * WIDE / HIGH;
    return spec;
  }
  function save(button) {
    var spec = drawing(button.getAttribute("data-chart"));
    var format = button.getAttribute("data-format");
    var size = { format: format, width: spec.layout.width, height: spec.layout.height,
      scale: HIGH / spec.layout.height };
    Plotly.toImage(spec, size).then(function (address) {
      var link = document.createElement("a");
      link.download = button.getAttribute("data-file");
      link.href = address;
      link.click();
    });
  }
  document.querySelectorAll("button[data-chart]").forEach(function (button) {
    button.hidden = false;
    button.addEventListener("click", function () { save(button); });
  });
})();
