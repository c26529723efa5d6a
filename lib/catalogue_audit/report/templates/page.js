"use strict";
(function () {
  // Filter: the table's rows decide, the cards follow.
  var form = document.getElementById("filters");
  var table = document.getElementById("findings");
  var apply = function () {};
  if (form && table) {
    var rows = Array.from(table.tBodies[0].rows);
    form.hidden = false;
    apply = function () {
      var severity = form.elements.severity.value;
      var remedy = form.elements.remedy.value;
      var text = form.elements.text.value.trim().toLowerCase();
      var kept = new Set(), shown = 0;
      rows.forEach(function (row) {
        var keep = (!severity || row.dataset.s === severity) && (!remedy || row.dataset.r === remedy) &&
          (!text || row.textContent.toLowerCase().includes(text));
        row.hidden = !keep;
        if (keep) { shown += 1; kept.add(row.dataset.c); }
      });
      document.querySelectorAll(".card").forEach(function (card) { card.hidden = !kept.has(card.id); });
      document.querySelectorAll(".cards").forEach(function (group) {
        var empty = !group.querySelector(".card:not([hidden])");
        group.hidden = empty;
        group.previousElementSibling.hidden = empty;
      });
      form.elements.shown.value = shown + " of " + rows.length + " shown";
    };
    form.addEventListener("input", apply);
    form.addEventListener("reset", function () { setTimeout(apply, 0); });
    form.addEventListener("submit", function (event) { event.preventDefault(); });
    document.querySelectorAll("[data-set-remedy], [data-set-sku]").forEach(function (link) {
      link.addEventListener("click", function () {
        form.reset();
        if (link.dataset.setRemedy) { form.elements.remedy.value = link.dataset.setRemedy; }
        if (link.dataset.setSku) { form.elements.text.value = link.dataset.setSku; }
        apply();
      });
    });
    apply();
  }

  // Sort: a button in each heading; numbers by number, words by word, empty cells last.
  var key = function (row, column) {
    var cell = row.cells[column];
    var raw = cell.dataset.v !== undefined ? cell.dataset.v : cell.textContent.trim();
    var number = parseFloat(raw.replace("\u2212", "-").replace(/\u202f/g, ""));
    return { empty: raw === "", number: number, text: raw, ranked: cell.dataset.v !== undefined };
  };
  document.querySelectorAll("table.sortable").forEach(function (sorted) {
    Array.from(sorted.tHead.rows[0].cells).forEach(function (head, column) {
      var button = document.createElement("button");
      button.type = "button";
      button.textContent = head.textContent;
      head.textContent = "";
      head.appendChild(button);
      button.addEventListener("click", function () {
        var down = head.getAttribute("aria-sort") === "ascending" ? -1 : 1;
        Array.from(head.parentNode.cells).forEach(function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", down === 1 ? "ascending" : "descending");
        var numeric = head.classList.contains("n");
        var body = sorted.tBodies[0];
        Array.from(body.rows)
          .map(function (row, place) { return { row: row, place: place, key: key(row, column) }; })
          .sort(function (a, b) {
            if (a.key.empty !== b.key.empty) { return a.key.empty ? 1 : -1; }
            var order = numeric || (a.key.ranked && b.key.ranked)
              ? a.key.number - b.key.number : a.key.text.localeCompare(b.key.text, "en", { numeric: true });
            return order * down || a.place - b.place;
          })
          .forEach(function (item) { body.appendChild(item.row); });
      });
    });
  });

  // Reference outlines over the pictures, on or off.
  var outlines = document.getElementById("outlines");
  if (outlines) {
    outlines.addEventListener("change", function () { document.body.classList.toggle("bare", !outlines.checked); });
  }

  // A link into something folded or filtered away opens it first.
  var reveal = function () {
    var target = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    if (!target) { return; }
    if (target.closest("[hidden]") && form) { form.reset(); apply(); }  // at once: nothing can be scrolled to before it is shown
    for (var node = target.parentElement; node; node = node.parentElement) {
      if (node.tagName === "DETAILS") { node.open = true; }
    }
    target.hidden = false;
    target.scrollIntoView();
  };
  window.addEventListener("hashchange", reveal);
  document.addEventListener("click", function (event) {
    var link = event.target.closest("a[href^='#']");
    if (link && link.hash === location.hash) { reveal(); }
  });
  reveal();

  // On paper everything is unfolded.
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details:not(.why)").forEach(function (part) { part.open = true; });
    document.querySelectorAll("img[loading=lazy]").forEach(function (img) { img.loading = "eager"; });
  });
})();
