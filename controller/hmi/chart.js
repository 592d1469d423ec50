"use strict";
// The read-out: one time, shown in every panel at once. Everything else is drawn without script.
(() => {
  const run = JSON.parse(document.getElementById("data").textContent);
  const panels = [...document.querySelectorAll(".panel")].map((node) => ({
    data: run.panels[Number(node.dataset.panel)],
    rows: node.querySelector(".rows"),
    box: node.querySelector(".hairbox"),
    hair: node.querySelector(".hair"),
    read: node.querySelector(".read"),
  }));
  const unit = " °" + run.units;
  const tell = (value) => (value === null || value === undefined ? "not known" : value.toFixed(1) + unit);

  const when = (at) => {
    const day = (at - run.from) / 86400;
    const counted = "day " + day.toFixed(1);
    if (run.utc === null) return counted;
    const ahead = run.ahead.filter(([from]) => from <= at).pop() ?? run.ahead[0];
    const local = new Date((run.utc + at - run.from + ahead[1]) * 1000);
    const clock = local.toISOString().slice(11, 16);
    const date = local.toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short", timeZone: "UTC" });
    return counted + ", " + date + " " + clock;
  };

  const before = (times, at) => {
    let low = 0;
    let high = times.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (times[middle] <= at) low = middle;
      else high = middle - 1;
    }
    return low;
  };

  const words = (data, at) => {
    if (!data.at.length) return "";
    const i = before(data.at, at);
    if (data.bath) return "bath " + tell(data.bath[i]) + " · room " + tell(data.room[i]);
    const coldest = data.coldest[i];
    const warmest = data.warmest[i];
    let text = "wort " + tell(warmest);
    if (coldest !== null && warmest - coldest > 0.15) text = "wort " + coldest.toFixed(1) + " to " + tell(warmest);
    if (data.low[i] !== null) {
      const flat = data.high[i] - data.low[i] < 0.05;
      text += " · setpoint " + (flat ? "" : data.low[i].toFixed(1) + " to ") + tell(data.high[i]);
    }
    if (data.cool[i]) text += " · cooler " + data.cool[i] + " %";
    if (data.heat[i]) text += " · heater " + data.heat[i] + " %";
    return text;
  };

  let share = null;
  const show = (next) => {
    share = next === null ? null : Math.min(Math.max(next, 0), 1);
    for (const panel of panels) {
      panel.hair.style.display = share === null ? "none" : "block";
      if (share === null) {
        panel.read.textContent = "";
        continue;
      }
      const at = run.from + share * (run.to - run.from);
      panel.hair.style.left = share * 100 + "%";
      panel.read.textContent = when(at) + " · " + words(panel.data, at);
    }
  };

  for (const panel of panels) {
    const point = (event) => {
      const area = panel.box.getBoundingClientRect();
      show((event.clientX - area.left) / area.width);
    };
    panel.rows.addEventListener("pointermove", point);
    panel.rows.addEventListener("pointerdown", point);
    panel.rows.addEventListener("pointerleave", () => show(null));
    panel.rows.addEventListener("keydown", (event) => {
      const stride = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      if (event.key === "Escape") show(null);
      if (stride === undefined) return;
      event.preventDefault();
      show((share === null ? 0.5 : share) + (stride * (event.shiftKey ? 86400 : 3600)) / (run.to - run.from));
    });
  }
})();
