"use strict";
(() => {
  // ---- the bench table: sort by a heading, show only some lines -------------------------------------------------
  const table = document.querySelector("table[data-sorts]");
  const tools = document.getElementById("tools");
  if (table && tools) {
    const body = table.tBodies[0];
    const rows = [...body.rows];
    const heads = [...table.tHead.rows[0].cells];
    const names = heads.map((head) => head.textContent);
    const pick = document.getElementById("sort-by");
    const find = document.getElementById("find");
    const state = document.getElementById("show");
    const count = document.getElementById("shown");
    const key = (row, at) => row.cells[at].dataset.sort ?? row.cells[at].textContent.trim();
    const compare = new Intl.Collator("en", { numeric: true, sensitivity: "base" }).compare;

    const sort = (at, down) => {
      const keyed = rows.map((row, place) => ({ row, place, key: key(row, at) }));
      keyed.sort((a, b) => {
        if (a.key === "" || b.key === "") return (a.key === "") - (b.key === "") || a.place - b.place; // unknown last
        return (down ? compare(b.key, a.key) : compare(a.key, b.key)) || a.place - b.place;
      });
      body.append(...keyed.map((each) => each.row));
      heads.forEach((head, each) => {
        if (each === at) head.setAttribute("aria-sort", down ? "descending" : "ascending");
        else head.removeAttribute("aria-sort");
      });
      pick.value = `${at}${down ? "-" : "+"}`;
    };

    const filter = () => {
      const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
      let shown = 0;
      for (const row of rows) {
        const text = row.textContent.toLowerCase();
        row.hidden = !(words.every((word) => text.includes(word)) && (!state.value || row.dataset.is === state.value));
        shown += !row.hidden;
      }
      const lines = rows.length === 1 ? "1 line" : `${rows.length} lines`;
      count.textContent = shown === rows.length ? lines : `${shown} of ${lines}`;
    };

    heads.forEach((head, at) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = names[at];
      button.addEventListener("click", () => sort(at, head.getAttribute("aria-sort") === "ascending"));
      head.replaceChildren(button);
      for (const [sign, way] of [["+", "up"], ["-", "down"]]) {
        const option = document.createElement("option");
        option.value = `${at}${sign}`;
        option.textContent = `${names[at]}, ${way}`;
        pick.append(option);
      }
    });
    pick.addEventListener("change", () => {
      if (pick.value) return sort(parseInt(pick.value, 10), pick.value.endsWith("-"));
      body.append(...rows); // as it came
      heads.forEach((head) => head.removeAttribute("aria-sort"));
    });
    find.addEventListener("input", filter);
    state.addEventListener("change", filter);
    tools.hidden = false;
    filter();
  }

  // ---- try a recipe: the stored surface, read straight between its points over the logs of ratio and time --------
  const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));

  const unpack = (packed) => {
    const view = new DataView(bytes(packed.at).buffer);
    const step = (packed.high - packed.low) / 65535;
    return Float64Array.from({ length: view.byteLength / 2 }, (_, at) => packed.low + step * view.getUint16(2 * at, true));
  };

  const place = (grid, value) => {
    let at = 0;
    while (at < grid.length - 2 && grid[at + 1] <= value) at += 1;
    const share = Math.log(value / grid[at]) / Math.log(grid[at + 1] / grid[at]);
    return [at, Math.min(Math.max(share, 0), 1)];
  };

  const half = (value) => { // to the nearest whole number, of two as near the even one
    const down = Math.floor(value);
    return value - down === 0.5 ? down + (down % 2) : Math.round(value);
  };

  const start = (box) => {
    const data = JSON.parse(box.dataset.trial);
    const grids = {};
    for (const name of ["expected", "lower", "upper", "chance", "extraction"]) {
      if (data[name]) grids[name] = unpack(data[name]);
    }
    for (const name of ["supported", "own"]) {
      if (!data[name]) continue;
      const bits = bytes(data[name]);
      grids[name] = Float64Array.from(grids.expected, (_, at) => (bits[at >> 3] >> (7 - (at & 7))) & 1);
    }
    const sliders = { ratio: box.querySelector("[name=ratio]"), time: box.querySelector("[name=time]") };
    const out = (name) => box.querySelector(`[data-out=${name}]`);
    const put = (name, text, value) => {
      const where = out(name);
      if (where) {
        where.textContent = text;
        where.dataset.value = value ?? "";
      }
    };

    const dial = (ratio, time) => {
      if (!data.dial) return ["", null];
      const turn = data.dial.slope * Math.log(ratio / data.dial.ratio);
      const off = data.dial.marks.map(([, seconds]) => Math.abs(seconds + turn - Math.log(time)));
      const best = off.indexOf(Math.min(...off));
      const [mark, seconds] = data.dial.marks[best];
      const gives = Math.exp(seconds + turn);
      const near = Math.abs(gives - time) < 1.5;
      const finer = seconds > data.dial.start + 1e-3;
      return [
        `${mark}${near ? "" : `, the nearest safe mark: gives about ${gives.toFixed(0)}\u00a0s`}` +
          `${finer ? ` (finer: ${data.dial.stop})` : ""}`,
        mark,
      ];
    };

    const show = () => {
      const ratio = sliders.ratio.valueAsNumber;
      const time = sliders.time.valueAsNumber;
      const [i, u] = place(data.ratio, ratio);
      const [j, v] = place(data.time, time);
      const wide = data.time.length;
      const at = (grid) => {
        const low = grid[i * wide + j] * (1 - v) + grid[i * wide + j + 1] * v;
        const high = grid[(i + 1) * wide + j] * (1 - v) + grid[(i + 1) * wide + j + 1] * v;
        return low * (1 - u) + high * u;
      };
      const here = Object.values(sliders).every((each) => Math.abs(each.value - each.defaultValue) < 1e-5);
      const value = (name) => (here && data.recipe ? data.recipe[name] : at(grids[name])); // what the page says of it
      const known = at(grids.supported) >= 0.5 || here;
      const chance = value("chance");
      const word = data.chances[chance < 0.05 ? 0 : chance >= 0.95 ? 10 : Math.min(Math.max(half(chance * 10), 1), 9)];
      const grams = data.dose === null ? null : data.dose * ratio;
      const poured = grams === null ? "" : `, ${grams.toFixed(0)}\u00a0g out`;
      const [expected, low, high] = ["expected", "lower", "upper"].map(value);
      put("ratio", `1:${ratio.toFixed(2)}${poured}`, ratio);
      put("time", `${time.toFixed(1)}\u00a0s ${data.clock}`, time);
      sliders.ratio.setAttribute("aria-valuetext", `1 to ${ratio.toFixed(2)}${poured}`);
      sliders.time.setAttribute("aria-valuetext", `${time.toFixed(1)} seconds ${data.clock}`);
      put("out", grams === null ? "\u2013" : `${grams.toFixed(1)}\u00a0g`, grams);
      put("expected", `${expected.toFixed(1)} (${low.toFixed(1)} to ${high.toFixed(1)})`, expected);
      out("expected").dataset.lower = low;
      out("expected").dataset.upper = high;
      put("chance", known ? word : "cannot say here", chance);
      const [mark, label] = dial(ratio, time);
      put("dial", mark, label);
      if (grids.extraction) {
        const extraction = at(grids.extraction);
        put("extraction", `${extraction.toFixed(1)}\u00a0%`, extraction);
        put("tds", `${(extraction / ratio).toFixed(1)}\u00a0%`, extraction / ratio);
      }
      box.classList.toggle("is-guess", !known);
      const whose = !grids.own || at(grids.own) >= 0.5 ? "Your own tasted shots speak" : "What was tasted elsewhere on the bench speaks";
      out("known").textContent = known
        ? `${whose} for this.`
        : "Nobody tasted a shot near this: the numbers are no more than a guess.";
    };

    if (data.dial) data.dial.start = Math.log(sliders.time.valueAsNumber); // the mark of the recipe
    for (const slider of Object.values(sliders)) slider.addEventListener("input", show);
    box.querySelector("button").addEventListener("click", () => {
      for (const slider of Object.values(sliders)) slider.value = slider.defaultValue;
      show();
    });
    box.hidden = false;
    show();
  };

  document.querySelectorAll("[data-trial]").forEach(start);
})();
