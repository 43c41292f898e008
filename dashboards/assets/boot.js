"use strict";
(function () {
  var dark = matchMedia("(prefers-color-scheme: dark)"), onPaper = false;
  var pairs = JSON.parse(document.getElementById("main").getAttribute("data-dark"));
  function sources() {
    return document.querySelectorAll('script[type="application/json"][data-for]');
  }
  // Colours are those of a light screen; on a dark one each has its counterpart, and paper is always light.
  function spec(source) {
    var text = source.textContent;
    if (dark.matches && !onPaper) {
      text = text.replace(/#[0-9a-f]{6}/g, function (colour) { return pairs[colour] || colour; });
      text = text.replace(/rgba\(255,255,255,/g, "rgba(20,26,28,");
    }
    return JSON.parse(text);
  }
  // Lines are named at their ends where there is room beside them; on a narrow screen the legend alone names them.
  function fitted(chart, box) {
    var named = (chart.layout.annotations || []).some(function (a) { return a.name === "line-end"; });
    if (named && box.clientWidth < 640) {
      chart.layout.margin.r = 16;
      chart.layout.annotations = chart.layout.annotations.filter(function (a) { return a.name !== "line-end"; });
    }
    return chart;
  }
  function fit() {
    sources().forEach(function (source) {
      var box = document.getElementById(source.getAttribute("data-for"));
      if (!box.classList.contains("js-plotly-plot") || !box.clientWidth) return;
      var chart = fitted(spec(source), box);
      // At once and not when the library has waited for a pause: paper does not wait.
      chart.layout.width = box.clientWidth;
      Plotly.react(box, chart.data, chart.layout, chart.config);
    });
  }
  function draw(source) {
    var box = document.getElementById(source.getAttribute("data-for"));
    // What is folded away has no width yet: it is drawn once it is opened.
    if (box.closest("details:not([open])") || box.classList.contains("js-plotly-plot")) return;
    var chart = fitted(spec(source), box);
    Plotly.newPlot(box, chart.data, chart.layout, chart.config);
  }
  function drawAll() {
    sources().forEach(draw);
  }
  // As wide as the paper, or the browser would shrink all letters with the charts.
  function paper(on) {
    onPaper = on;
    document.documentElement.classList.toggle("paper", on);
    fit();
  }
  drawAll();
  window.addEventListener("resize", fit);
  dark.addEventListener("change", fit);
  document.querySelectorAll("details").forEach(function (part) {
    part.addEventListener("toggle", drawAll);
  });
  var all = document.getElementById("open-all");
  all.parentNode.hidden = !document.querySelector("details");
  all.addEventListener("click", function () {
    document.querySelectorAll("details").forEach(function (part) {
      part.open = true;
    });
  });
  window.addEventListener("beforeprint", function () {
    drawAll();
    paper(true);
  });
  window.addEventListener("afterprint", function () {
    paper(false);
  });
})();
