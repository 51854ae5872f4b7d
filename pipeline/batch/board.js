"use strict";
(function () {
  const body = document.querySelector("#jobs tbody");
  const rows = Array.from(body.rows);
  const texts = rows.map((row) => row.textContent.toLowerCase());
  const find = document.getElementById("find");
  const show = document.getElementById("show");
  const order = document.getElementById("sort");
  const count = document.getElementById("count");
  const heads = Array.from(document.querySelectorAll("th[data-key]"));
  const compare = new Intl.Collator(undefined, { numeric: true }).compare;

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

  function sort(key, down) {
    const number = key === "state" || key === "share";
    const sorted = rows.slice();
    if (key) {
      sorted.sort((one, other) => {
        const a = one.dataset[key];
        const b = other.dataset[key];
        if (!a !== !b) return a ? -1 : 1; // what has none stands last, whichever way
        return (number ? a - b : compare(a, b)) * (down ? -1 : 1);
      });
    }
    heads.forEach((head) => head.removeAttribute("aria-sort"));
    const head = heads.find((one) => one.dataset.key === key);
    if (head) head.setAttribute("aria-sort", down ? "descending" : "ascending");
    order.value = key;
    const page = document.createDocumentFragment();
    sorted.forEach((row) => page.appendChild(row));
    body.appendChild(page);
  }

  let unfolded = []; // on paper nothing can be unfolded
  addEventListener("beforeprint", () => {
    unfolded = Array.from(document.querySelectorAll("details.warnings:not([open])"));
    unfolded.forEach((one) => (one.open = true));
  });
  addEventListener("afterprint", () => unfolded.forEach((one) => (one.open = false)));
  document.querySelector(".controls").addEventListener("submit", (event) => event.preventDefault());
  find.addEventListener("input", filter);
  show.addEventListener("change", filter);
  order.addEventListener("change", () => sort(order.value, false));
  heads.forEach((head) => head.querySelector("button").addEventListener("click", () => sort(head.dataset.key, head.getAttribute("aria-sort") === "ascending")));
  filter();
})();
