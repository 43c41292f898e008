// What the tests ask of a page: each function gives a list of what is wrong, in words; an empty list is right.
(() => {
  const text = e => (e.textContent || "").replace(/\s+/g, " ").trim();
  const said = e => `<${e.tagName.toLowerCase()}${e.id ? "#" + e.id : ""}${e.className && e.className.baseVal === undefined ? "." + e.className : ""}> "${text(e).slice(0, 50)}"`;
  const seen = e => e.checkVisibility({ opacityProperty: true, visibilityProperty: true, contentVisibilityAuto: true }) && e.getClientRects().length > 0;
  const rgb = colour => { const n = colour.match(/[\d.]+/g).map(Number); return { r: n[0], g: n[1], b: n[2], a: n.length > 3 ? n[3] : 1 }; };
  const over = (top, below) => ["r", "g", "b"].reduce((all, k) => ({ ...all, [k]: top[k] * top.a + below[k] * (1 - top.a) }), { a: 1 });
  const light = c => { const [r, g, b] = [c.r, c.g, c.b].map(v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const contrast = (a, b) => { const [x, y] = [light(a), light(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
  const behind = e => { const layers = []; for (let at = e; at; at = at.parentElement) layers.push(rgb(getComputedStyle(at).backgroundColor)); return layers.reverse().reduce((below, top) => over(top, below), { r: 255, g: 255, b: 255, a: 1 }); };

  window.looked = {
    // Every letter on the page and in the charts against what lies behind it (WCAG 1.4.3), computed, not looked up.
    contrast() {
      const wrong = new Set();
      for (const e of document.body.querySelectorAll("*")) {
        if (e.closest("script, style, noscript") || !seen(e)) continue;
        if (![...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) continue;
        const style = getComputedStyle(e), svg = e instanceof SVGElement;
        const ink = rgb(svg ? style.fill : style.color);
        ink.a *= svg ? Number(style.fillOpacity) * Number(style.opacity) : Number(style.opacity);
        const paper = behind(svg ? e.closest("div, figure, body") : e);
        const size = parseFloat(style.fontSize), large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
        const found = contrast(over(ink, paper), paper);
        if (found < (large ? 3 : 4.5)) wrong.add(`${said(e)}: contrast ${found.toFixed(2)}`);
      }
      return [...wrong];
    },
    // Lines, dots and outlines of charts that carry data (WCAG 1.4.11): at least 3 to 1 on white.
    drawn_contrast() {
      const wrong = new Set(), white = { r: 255, g: 255, b: 255, a: 1 };
      for (const e of document.querySelectorAll(".chart .scatterlayer .lines path, .chart .scatterlayer .points path")) {
        const style = getComputedStyle(e), strokes = style.stroke !== "none" && parseFloat(style.strokeWidth) > 0;
        const inks = [strokes && { ...rgb(style.stroke), a: rgb(style.stroke).a * style.strokeOpacity }, style.fill !== "none" && { ...rgb(style.fill), a: rgb(style.fill).a * style.fillOpacity }].filter(i => i && i.a > 0);
        const best = Math.max(0, ...inks.map(i => contrast(over(i, white), white)));
        if (inks.length && best < 3) wrong.add(`${e.closest(".chart").id}: ${e.parentElement.getAttribute("class")} ${best.toFixed(2)}`);
      }
      return [...wrong];
    },
    structure() {
      const wrong = [], one = (what, n) => { if (document.querySelectorAll(what).length !== n) wrong.push(`${document.querySelectorAll(what).length} of ${what}`); };
      if (document.documentElement.lang !== "en") wrong.push("no language");
      if (document.title.trim().length < 3) wrong.push("no title");
      ["h1", "main", "header", "footer"].forEach(what => one(what, 1));
      if (text(document.querySelector("h1")) === "") wrong.push("an empty h1");
      const skip = document.querySelector("body > a");
      if (!skip || !document.querySelector(skip.getAttribute("href"))) wrong.push("the first link does not skip to the content");
      let before = 0;
      for (const h of document.querySelectorAll("h1, h2, h3, h4, h5, h6")) {
        const level = Number(h.tagName[1]);
        if (level > before + 1) wrong.push(`h${before} is followed by ${said(h)}`);
        if (!text(h)) wrong.push(`an empty ${said(h)}`);
        before = level;
      }
      const ids = [...document.querySelectorAll("[id]")].map(e => e.id).filter(id => !document.getElementById(id).closest("svg"));
      if (new Set(ids).size !== ids.length) wrong.push("an id is there twice");
      for (const nav of document.querySelectorAll("nav")) if (!nav.getAttribute("aria-label")) wrong.push("a nav without a name");
      if (document.querySelector("nav") && document.querySelectorAll("nav [aria-current=page]").length !== 1) wrong.push("the menu does not say which page this is");
      return wrong;
    },
    tables() {
      const wrong = [];
      for (const t of document.querySelectorAll("table")) {
        const name = `table "${t.caption ? text(t.caption) : text(t).slice(0, 40)}"`;
        if (!t.caption || !text(t.caption)) wrong.push(`${name}: no caption`);
        if (!t.tHead || !t.tHead.querySelector("th")) wrong.push(`${name}: no head`);
        for (const th of t.querySelectorAll("th")) {
          if (!/^(col|row|colgroup|rowgroup)$/.test(th.scope)) wrong.push(`${name}: ${said(th)} without a scope`);
          if (th.closest("thead") && !text(th)) wrong.push(`${name}: an empty head`);
        }
        const wide = r => [...r.cells].reduce((n, c) => n + c.colSpan, 0), widths = new Set([...t.rows].map(wide));
        if (widths.size > 1) wrong.push(`${name}: rows of ${[...widths]} cells`);
        for (const r of t.tBodies.length ? [...t.tBodies].flatMap(b => [...b.rows]) : []) if (!r.querySelector("th")) wrong.push(`${name}: a row without a head`);
        for (const r of t.rows) if (r.getClientRects().length && r.offsetHeight > 400) wrong.push(`${name}: a row ${r.offsetHeight} pixels high`);
        if (t.tBodies.length === 0 || !t.querySelector("tbody tr")) wrong.push(`${name}: no row`);
      }
      return wrong;
    },
    // Each chart has a name in words, its data to take along, and a table in its part of the page.
    charts() {
      const wrong = [], labels = new Set();
      const specs = [...document.querySelectorAll("script[data-for]")].map(s => s.dataset.for).sort();
      if (String(specs) !== String([...document.querySelectorAll(".chart")].map(c => c.id).sort())) wrong.push("charts and their data do not pair");
      for (const c of document.querySelectorAll(".chart")) {
        const label = c.getAttribute("aria-label") || "", part = c.closest("details, .nested, section, main") || document.body, figure = c.closest("figure") || part;
        if (c.getAttribute("role") !== "img" || label.split(" ").length < 4) wrong.push(`${c.id}: no name in words`);
        if (labels.has(label)) wrong.push(`${c.id}: a second chart of the same name`);
        labels.add(label);
        if (!c.closest("figure")) wrong.push(`${c.id}: not in a figure`);
        if (!part.querySelector("table")) wrong.push(`${c.id}: no table beside it`);
        const csv = figure.querySelector("a[download$='.csv']");
        if (!csv) wrong.push(`${c.id}: its data cannot be taken along`);
        else {
          const rows = decodeURIComponent(csv.href.split(",").slice(1).join(",")).trim().split("\n");
          if (rows.length < 2) wrong.push(`${c.id}: its data are ${rows.length} rows`);
        }
      }
      for (const s of document.querySelectorAll("svg")) {
        if (s.closest(".chart, [aria-hidden=true], #js-plotly-tester")) continue;
        if (s.getAttribute("role") !== "img" || !s.getAttribute("aria-label")) wrong.push(`a drawing without a name in ${said(s.parentElement)}`);
      }
      return wrong;
    },
    // What stands along the axes in words (groups, clinicians, choices) is also in a table or a list.
    words_of_charts() {
      const tables = [...document.querySelectorAll("table, ul, dl, ol")].map(text).join(" ").toLowerCase(), wrong = [];
      const plain = t => { const box = document.createElement("textarea"); box.innerHTML = t.replace(/<br\s*\/?>/g, " ").replace(/<\/?(b|i|sub|sup)>/g, ""); return box.value.replace(/\s+/g, " ").trim(); };
      for (const s of document.querySelectorAll("script[data-for]")) {
        const spec = JSON.parse(s.textContent);
        for (const trace of spec.data) {
          const name = plain(trace.name || "");
          if (name && !tables.includes(name.toLowerCase())) wrong.push(`${s.dataset.for}: "${name}" is in no table or list`);
        }
      }
      return wrong;
    },
    wide() {
      const room = document.documentElement.clientWidth, wrong = [];
      if (document.documentElement.scrollWidth > room) wrong.push(`the page is ${document.documentElement.scrollWidth} wide in ${room}`);
      for (const e of document.body.querySelectorAll("*")) {
        if (e.closest(".skip, script, svg") || e.parentElement.closest("[tabindex='0'][role=region], pre[tabindex='0']") || !seen(e)) continue;
        const box = e.getBoundingClientRect();
        if (box.width && (box.right > room + 1 || box.left < -1)) wrong.push(`${said(e)} from ${box.left.toFixed(0)} to ${box.right.toFixed(0)} of ${room}`);
      }
      return wrong.slice(0, 5);
    },
    // On a telephone no table has to be pushed sideways: neither it nor the box around it is wider than the screen.
    sideways() {
      const room = document.documentElement.clientWidth, wrong = [];
      for (const e of document.querySelectorAll("table, .wide, pre")) {
        if (!seen(e)) continue;
        const box = e.getBoundingClientRect(), inside = e.matches(".under") ? 0 : e.scrollWidth - e.clientWidth;
        if (box.left < -1 || box.right > room + 1 || inside > 1) wrong.push(`${said(e)}: ${e.scrollWidth} in ${e.clientWidth} of ${room}`);
      }
      return wrong;
    },
    // Each cell of a table that becomes cards has the heading of its column before it.
    bare() {
      const of = (t, r) => [...r.cells].slice(1).filter((c, i) => c.dataset.head !== t.tHead.rows[0].cells[i + 1].textContent);
      return [...document.querySelectorAll(".broad")].flatMap(t => [...t.tBodies].flatMap(b => [...b.rows].flatMap(r => of(t, r)))).map(said);
    },
    // Nothing is hidden behind an edge: what scrolls on the screen is whole on paper.
    cut() {
      const wrong = [], room = document.documentElement.clientWidth;
      for (const e of document.body.querySelectorAll("*")) {
        if (e.closest("script, svg, .js-plotly-plot") || !seen(e)) continue;
        const style = getComputedStyle(e), box = e.getBoundingClientRect();
        const words = document.createRange(), own = [...e.childNodes].filter(n => n.nodeType === 3 && n.textContent.trim());
        const ends = Math.max(0, ...own.map(n => { words.selectNodeContents(n); return words.getBoundingClientRect().right; }), e.matches(".under *") ? 0 : box.right);
        if (box.width && ends > room + 1) wrong.push(`${said(e)} ends at ${ends.toFixed(0)} of ${room}`);
        if (style.overflowX !== "visible" && e.scrollWidth > e.clientWidth + 1 && !e.closest(".meter")) wrong.push(`${said(e)} is cut at its side`);
        if (style.overflowY !== "visible" && e.scrollHeight > e.clientHeight + 1) wrong.push(`${said(e)} is cut below`);
      }
      return wrong.slice(0, 5);
    },
    undrawn() {
      return [...document.querySelectorAll(".chart")].filter(c => !c.querySelector(".main-svg") || c.getBoundingClientRect().width < 100).map(c => c.id);
    },
    // Buttons of the chart library's toolbar, by class and by every label that would send a chart away.
    sending() {
      const wrong = [...document.querySelectorAll(".modebar-btn, .modebar-group, form, input[type=file], iframe, object, embed")].map(said);
      for (const c of document.querySelectorAll(".chart.js-plotly-plot")) if (c._context.showSendToCloud !== false || c._context.displayModeBar !== false) wrong.push(`${c.id}: may be sent`);
      for (const e of document.querySelectorAll("a, button, [data-title], [title], [aria-label]")) {
        const words = [text(e), e.dataset.title, e.title, e.getAttribute("aria-label")].join(" ");
        if (/share chart|chart studio|edit in|upload|send to|cloud|produced with/i.test(words)) wrong.push(said(e));
      }
      for (const a of document.querySelectorAll("a[href]")) if (!/^(#[\w-]+|[\w-]+\.(html|pptx|csv|json)(#[\w-]+)?|data:text\/csv[;,].*)$/s.test(a.getAttribute("href"))) wrong.push(`a link to ${a.getAttribute("href").slice(0, 60)}`);
      return wrong;
    },
    // What only markup made of a practice's text could have put there.
    planted() {
      const wrong = [];
      if (window.ran) wrong.push("a practice's text ran");
      for (const e of document.querySelectorAll("*")) {
        if (e.closest(".js-plotly-plot")) { if (/^(script|img|iframe|foreignobject)$/i.test(e.tagName)) wrong.push(said(e)); continue; }
        for (const a of e.attributes) if (/^on|^autofocus$|^srcdoc$/.test(a.name)) wrong.push(`${said(e)} has ${a.name}`);
        if (e.tabIndex > 0) wrong.push(`${said(e)} comes before its turn`);
      }
      for (const e of document.querySelectorAll("main img, main script, main style, main iframe, main template, body title, body svg svg:not(.js-plotly-plot svg)")) wrong.push(said(e));
      return wrong;
    },
    // What the tab key must reach, in the order of the page.
    controls() {
      return [...document.querySelectorAll("a[href], button, summary, input, select, textarea, [tabindex='0']")].filter(e => seen(e) && !e.disabled && !e.closest(".js-plotly-plot")).length;
    },
    focus() {
      const e = document.activeElement;
      if (!e || e === document.body) return null;
      const style = getComputedStyle(e), box = e.getBoundingClientRect();
      const ring = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2 && contrast(rgb(style.outlineColor), behind(e.parentElement)) >= 3;
      const there = box.width > 0 && box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth;
      e.dataset.place = e.dataset.place || String(document.querySelectorAll("[data-place]").length + 1);
      return { name: said(e), ring, there, place: e.dataset.place };
    },
    // Each piece of text of its own as it will be printed.
    pieces() {
      const blocks = "p, li, td, th, h1, h2, h3, h4, dt, dd, caption, figcaption, .gone, .box span, .box strong";
      return [...document.body.querySelectorAll(blocks)].filter(e => seen(e) && !e.querySelector(blocks)).map(e => e.innerText).filter(t => t.trim());
    },
    letters_of_charts() {
      return [...document.querySelectorAll(".chart .xtick text, .chart .ytick text, .chart .xtitle, .chart .ytitle, .chart .annotation-text")].filter(seen).map(e => e.textContent).filter(t => t.trim());
    },
  };
})();
