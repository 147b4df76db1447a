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

  /* Ids and other text sort naturally: C2 before C10. */
  var natural = new Intl.Collator(undefined, { numeric: true });
  var FIGURE = /^(?:at (?:least|most) )?([+-]?\d[\d,]*(?:\.\d+)?(?:e[+-]?\d+)?)(?: × 10([⁻⁰¹²³⁴-⁹]+))?(?:\s?(km|m|µs|ms|dB|%|min a year))?$/;
  var RAISED = "⁰¹²³⁴⁵⁶⁷⁸⁹";

  /* A figure as it is written, as a number; null where it is none. */
  function figure(text) {
    var found = FIGURE.exec(text);
    if (!found) return null;
    var value = Number(found[1].replace(/,/g, ""));
    if (found[2]) {
      var power = found[2].replace(/./g, function (c) { return c === "⁻" ? "-" : RAISED.indexOf(c); });
      value *= Math.pow(10, Number(power));
    }
    return found[3] === "km" ? 1000 * value : value;
  }

  /* What a row sorts by: a number, a text, or null for what is not known, which stands last. */
  function sortValue(cell, number) {
    var text = cell.dataset.sort !== undefined ? cell.dataset.sort : cellText(cell);
    if (text === "" || text === "not known" || text === "not examined") return null;
    if (!number && cell.dataset.sort === undefined) return text;
    var value = figure(text);
    return value === null ? text : value;
  }

  function compare(a, b) {
    if (typeof a === "number" && typeof b === "number") return a - b;
    if (typeof a !== typeof b) return typeof a === "number" ? -1 : 1;
    return natural.compare(a, b);
  }

  function sortBy(table, column, heading) {
    var order = heading.getAttribute("aria-sort") === "ascending" ? "descending" : "ascending";
    var sign = order === "ascending" ? 1 : -1, body = table.tBodies[0];
    var number = heading.classList.contains("number");
    var rows = Array.from(body.rows).map(function (row, i) {
      return { row: row, key: sortValue(row.cells[column], number), i: i };
    });
    rows.sort(function (a, b) {
      if (a.key === null || b.key === null) return (a.key === null) - (b.key === null) || a.i - b.i;
      return sign * compare(a.key, b.key) || a.i - b.i;
    });
    table.tHead.querySelectorAll("th").forEach(function (th) { th.removeAttribute("aria-sort"); });
    heading.setAttribute("aria-sort", order);
    body.append.apply(body, rows.map(function (r) { return r.row; }));
  }

  function save(text, name) {
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff" + text], { type: "text/csv" }));
    link.download = name + ".csv";
    link.click();
    setTimeout(function () { URL.revokeObjectURL(link.href); }, 10000);
  }

  function saveCsv(table) {
    var lines = [Array.from(table.tHead.rows[0].cells)].concat(
      Array.from(table.tBodies[0].rows).filter(function (row) { return !row.hidden; })
        .map(function (row) { return Array.from(row.cells); })
    ).map(function (cells) { return cells.map(function (c) { return csvCell(cellText(c)); }).join(","); });
    save(lines.join("\r\n") + "\r\n", table.dataset.table);
  }

  /* What is typed, part by part; what stands in quotation marks is text in any case. */
  function asked(text) {
    return (text.toLowerCase().match(/"[^"]*"?|\S+/g) || []).map(function (part) {
      return part[0] === '"' ? { text: part.replace(/"/g, "") } : { text: part, word: part };
    }).filter(function (part) { return part.text; });
  }

  /* Whether an id lies in one of a row's runs, such as `T-9` in `T-1 to T-28`. */
  function inRun(row, text) {
    var split = /^(.*?)(\d+)$/, id = split.exec(text), runs = /(\S+) to (\S+)/g, run;
    var said = ((row.cells[0] || {}).dataset || {}).csv || "";
    if (!id || said.indexOf(" to ") < 0) return false;
    while ((run = runs.exec(said.toLowerCase()))) {
      var first = split.exec(run[1]), last = split.exec(run[2]);
      if (first && last && first[1] === id[1] && +first[2] <= +id[2] && +id[2] <= +last[2]) return true;
    }
    return false;
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
      /* A verdict asks for the rows that have it, not for those that mention it. */
      var verdicts = (table.dataset.words || "").split(" ").filter(Boolean);
      var texts = null;
      box.addEventListener("input", function () {
        texts = texts || rows.map(function (row) { return row.textContent.toLowerCase(); });
        var parts = asked(box.value), left = 0;
        var words = parts.filter(function (part) { return verdicts.indexOf(part.word) >= 0; });
        rows.forEach(function (row, k) {
          var is = (row.dataset.is || "").split(" ");
          row.hidden = !parts.every(function (part) {
            return words.indexOf(part) >= 0 ? is.indexOf(part.word) >= 0 : texts[k].indexOf(part.text) >= 0 || inRun(row, part.text);
          });
          if (!row.hidden) left++;
        });
        var by = words.map(function (part) { return part.word; }).join(", ");
        count.textContent = !parts.length ? "" : left + " of " + rows.length + " rows" +
          (by ? " are " + by + ' ("' + words[0].word + '" in quotation marks finds the text)' : "") +
          (parts.length && table.dataset.else ? "; " + table.dataset.else : "");
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
        count.textContent = left + " of " + rows.length + " rows are " + link.textContent.trim() + " ";
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
    function button(said, spoken, act) {
      var made = document.createElement("button");
      made.type = "button";
      made.className = "quiet save";
      made.textContent = said;
      made.setAttribute("aria-label", spoken);
      made.addEventListener("click", act);
      bar.appendChild(made);
    }
    var named = table.caption.textContent.trim();
    button("Save as CSV", "Save as CSV: " + named, function () { saveCsv(table); });
    var file = document.getElementById(table.dataset.file || "");
    if (file) {
      button("Save all columns", "Save all columns as CSV: " + named, function () {
        save(window.waysapart.unpack(file.textContent), table.dataset.fileName);
      });
    }
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
