"use strict";
(function () {
  function fit() {
    document.querySelectorAll(".js-plotly-plot").forEach(function (box) {
      Plotly.Plots.resize(box);
    });
  }
  document.querySelectorAll('script[type="application/json"][data-for]').forEach(function (source) {
    var box = document.getElementById(source.getAttribute("data-for"));
    var spec = JSON.parse(source.textContent);
    Plotly.newPlot(box, spec.data, spec.layout, spec.config);
  });
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (part) {
      part.open = true;
    });
    fit();
  });
  window.addEventListener("afterprint", fit);
})();
