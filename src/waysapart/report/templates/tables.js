/* Every table with data-table: rows sort by a press on a heading, a box filters, a button saves CSV. */
(function () {
  "use strict";
  var FORMULA = /^'*(?:[\t\r\n]|[ \t\r\n]*[=+\-@﹦﹢﹣﹫＝＋－＠])/;
  var PLAIN = /^'*(?:-|[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)$/;

  function marked(text) {
    return FORMULA.test(text) && !PLAIN.test(text) && !/^[\t\r\n]$/.test(text) ? "'" + text : text;
  }

  /* The same rule as waysapart.report.escape.csv_cell. */
  function csvCell(text) {
    text = marked(text.split(/([;\t\r\n])/).map(function (part, k) { return k ? marked(part) : part; }).join(""));
    return /[",;\r\n\t]|^\s|\s$/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
  }

  function cellText(cell) {
    if (cell.dataset.csv !== undefined) return cell.dataset.csv;
    return cell.textContent.replace(/\s+/g, " ").trim();
  }

  function sortValue(cell) {
    return cell.dataset.sort !== undefined ? cell.dataset.sort : cellText(cell);
  }

  function compare(a, b) {
    if (a === b) return 0;
    if (a === "") return 1;
    if (b === "") return -1;
    var x = Number(a), y = Number(b);
    if (!Number.isNaN(x) && !Number.isNaN(y)) return x - y;
    return a.localeCompare(b, undefined, { numeric: true });
  }

  function sortBy(table, column, heading) {
    var order = heading.getAttribute("aria-sort") === "ascending" ? "descending" : "ascending";
    var sign = order === "ascending" ? 1 : -1, body = table.tBodies[0];
    var rows = Array.from(body.rows).map(function (row, i) {
      return { row: row, key: sortValue(row.cells[column]), i: i };
    });
    rows.sort(function (a, b) {
      if (a.key === "" || b.key === "") return compare(a.key, b.key) || a.i - b.i;
      return sign * compare(a.key, b.key) || a.i - b.i;
    });
    table.tHead.querySelectorAll("th").forEach(function (th) { th.removeAttribute("aria-sort"); });
    heading.setAttribute("aria-sort", order);
    body.append.apply(body, rows.map(function (r) { return r.row; }));
  }

  function saveCsv(table) {
    var lines = [Array.from(table.tHead.rows[0].cells)].concat(
      Array.from(table.tBodies[0].rows).filter(function (row) { return !row.hidden; })
        .map(function (row) { return Array.from(row.cells); })
    ).map(function (cells) { return cells.map(function (c) { return csvCell(cellText(c)); }).join(","); });
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff" + lines.join("\r\n") + "\r\n"], { type: "text/csv" }));
    link.download = table.dataset.table + ".csv";
    link.click();
    setTimeout(function () { URL.revokeObjectURL(link.href); }, 10000);
  }

  function tools(table) {
    var bar = document.createElement("div"), rows = Array.from(table.tBodies[0].rows);
    bar.className = "table-tools";
    var count = document.createElement("span");
    count.setAttribute("role", "status");
    if (rows.length > 3) {
      var label = document.createElement("label"), box = document.createElement("input");
      label.textContent = "Filter ";
      box.type = "search";
      box.setAttribute("aria-label", "Filter: " + table.caption.textContent.trim());
      label.appendChild(box);
      bar.appendChild(label);
      box.addEventListener("input", function () {
        var words = box.value.toLowerCase().split(/\s+/).filter(Boolean), left = 0;
        rows.forEach(function (row) {
          var text = row.textContent.toLowerCase();
          row.hidden = !words.every(function (word) { return text.indexOf(word) >= 0; });
          if (!row.hidden) left++;
        });
        count.textContent = words.length ? left + " of " + rows.length : "";
      });
    }
    /* A link elsewhere shows the rows of one kind alone; typing in the box ends that. */
    document.querySelectorAll("a[data-only]").forEach(function (link) {
      if (table.dataset.table !== "circuits") return;
      link.addEventListener("click", function () {
        var left = 0;
        bar.querySelectorAll("input").forEach(function (box) { box.value = ""; });
        rows.forEach(function (row) {
          row.hidden = row.dataset.is.split(" ").indexOf(link.dataset.only) < 0;
          if (!row.hidden) left++;
        });
        count.textContent = left + " of " + rows.length + ": " + link.textContent.trim() + " ";
        var all = document.createElement("button");
        all.type = "button";
        all.className = "quiet";
        all.textContent = "Show all";
        all.addEventListener("click", function () {
          rows.forEach(function (row) { row.hidden = false; });
          count.textContent = "";
        });
        count.appendChild(all);
      });
    });
    bar.appendChild(count);
    var save = document.createElement("button");
    save.type = "button";
    save.className = "quiet save";
    save.textContent = "Save as CSV";
    save.setAttribute("aria-label", "Save as CSV: " + table.caption.textContent.trim());
    save.addEventListener("click", function () { saveCsv(table); });
    bar.appendChild(save);
    var outer = table.closest(".scroll") || table;
    outer.parentNode.insertBefore(bar, outer);
  }

  document.querySelectorAll("table[data-table]").forEach(function (table) {
    tools(table);
    Array.from(table.tHead.rows[0].cells).forEach(function (heading, column) {
      var button = document.createElement("button");
      button.type = "button";
      button.className = "sort";
      button.append.apply(button, Array.from(heading.childNodes));
      heading.appendChild(button);
      button.addEventListener("click", function () { sortBy(table, column, heading); });
    });
  });

  /* A table wider than the window scrolls, by keyboard as well. Measured only when it comes into
     sight: to measure all of a large report at once would lay out all of it. */
  function makeReachable(box) {
    if (box.scrollWidth > box.clientWidth) {
      box.tabIndex = 0;
      box.setAttribute("role", "region");
      box.setAttribute("aria-label", box.querySelector("caption, title").textContent.trim());
    } else {
      ["tabindex", "role", "aria-label"].forEach(function (name) { box.removeAttribute(name); });
    }
  }
  var watch = new IntersectionObserver(function (entries) {
    entries.forEach(function (entry) { if (entry.isIntersecting) makeReachable(entry.target); });
  }, { rootMargin: "300px" });
  function watchIn(part) { part.querySelectorAll(".scroll.plain").forEach(function (box) { watch.observe(box); }); }
  watchIn(document);
  document.addEventListener("put-in", function (event) { watchIn(event.detail); });

  window.waysapartTables = { csvCell: csvCell };
})();
