// Sort a table by the column whose heading was clicked; numbers by size, words by letter.
document.querySelectorAll("table.sortable").forEach(function (table) {
  table.querySelectorAll("th button").forEach(function (button, column) {
    button.addEventListener("click", function () {
      var heading = button.parentElement;
      var up = heading.getAttribute("aria-sort") !== "ascending";
      table.querySelectorAll("th").forEach(function (th) { th.removeAttribute("aria-sort"); });
      heading.setAttribute("aria-sort", up ? "ascending" : "descending");
      var body = table.tBodies[0];
      var rows = Array.from(body.rows);
      rows.sort(function (a, b) {
        var x = a.cells[column].textContent, y = b.cells[column].textContent;
        var nx = parseFloat(x), ny = parseFloat(y);
        var order = isNaN(nx) || isNaN(ny) ? x.localeCompare(y) : nx - ny;
        return up ? order : -order;
      });
      rows.forEach(function (row) { body.appendChild(row); });
    });
  });
});
