"use strict";
(function () {
  function fit() {
    document.querySelectorAll(".js-plotly-plot").forEach(function (box) {
      Plotly.Plots.resize(box);
    });
  }
  function draw(source) {
    var box = document.getElementById(source.getAttribute("data-for"));
    // What is folded away has no width yet: it is drawn once it is opened.
    if (box.closest("details:not([open])") || box.classList.contains("js-plotly-plot")) return;
    var spec = JSON.parse(source.textContent);
    Plotly.newPlot(box, spec.data, spec.layout, spec.config);
  }
  function drawAll() {
    document.querySelectorAll('script[type="application/json"][data-for]').forEach(draw);
  }
  drawAll();
  document.querySelectorAll("details").forEach(function (part) {
    part.addEventListener("toggle", drawAll);
  });
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (part) {
      part.open = true;
    });
    drawAll();
    fit();
  });
  window.addEventListener("afterprint", fit);
})();
