"use strict";
(function () {
  const body = document.querySelector("#jobs tbody");
  const rows = Array.from(body.rows);
  const texts = rows.map((row) => row.textContent.toLowerCase());
  const find = document.getElementById("find");
  const show = document.getElementById("show");
  const count = document.getElementById("count");

  function filter() {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    let left = 0;
    rows.forEach((row, index) => {
      const fits = (!show.value || row.dataset.kind === show.value) && words.every((word) => texts[index].includes(word));
      row.hidden = !fits;
      left += fits ? 1 : 0;
    });
    count.textContent = left + " of " + rows.length + " jobs shown";
  }

  function sort(head) {
    const key = head.dataset.key;
    const down = head.getAttribute("aria-sort") === "ascending";
    const number = key === "state" || key === "share";
    const sorted = rows.slice().sort((one, other) => {
      const a = one.dataset[key];
      const b = other.dataset[key];
      return (number ? a - b : a.localeCompare(b, undefined, { numeric: true })) * (down ? -1 : 1);
    });
    document.querySelectorAll("th[aria-sort]").forEach((other) => other.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const page = document.createDocumentFragment();
    sorted.forEach((row) => page.appendChild(row));
    body.appendChild(page);
  }

  document.querySelector(".controls").addEventListener("submit", (event) => event.preventDefault());
  find.addEventListener("input", filter);
  show.addEventListener("change", filter);
  document.querySelectorAll("th[data-key]").forEach((head) => head.querySelector("button").addEventListener("click", () => sort(head)));
  filter();
})();
