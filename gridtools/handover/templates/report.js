
"use strict";
(function () {
  const plan = document.getElementById("plan");
  if (!plan) return;
  const map = plan.querySelector(".map");
  const grid = map.querySelector(".grid");
  const words = plan.querySelector(".pointed");
  const bar = plan.querySelector(".bar");
  const barWords = plan.querySelector(".bar-words");
  const unit = Number(plan.dataset.unit);
  const west = Number(plan.dataset.west);
  const north = Number(plan.dataset.north);
  const whole = map.getAttribute("viewBox").split(" ").map(Number);
  const svg = "http://www.w3.org/2000/svg";
  const rest = words.textContent;
  let view = whole.slice();

  for (const box of plan.querySelectorAll("input[data-group]")) {
    const turn = function () {
      for (const group of map.getElementsByClassName(box.dataset.group)) {
        group.classList.toggle("off", !box.checked);
      }
      box.parentElement.classList.toggle("unshown", !box.checked);
    };
    box.addEventListener("change", turn);
    turn();
  }

  function nice(length) {
    const power = Math.pow(10, Math.floor(Math.log10(length)));
    for (const step of [5, 2, 1]) if (step * power <= length * 1.000001) return step * power;
    return power;
  }

  function add(tag, attributes, text) {
    const made = document.createElementNS(svg, tag);
    for (const name in attributes) made.setAttribute(name, attributes[name]);
    if (text) made.textContent = text;
    grid.appendChild(made);
  }

  function drawGrid() {
    const step = nice(view[2] / 5 / unit) * unit;
    const places = Math.max(0, -Math.floor(Math.log10(step / unit)));
    grid.textContent = "";
    for (let e = Math.ceil((west + view[0]) / step) * step; e <= west + view[0] + view[2]; e += step) {
      const x = e - west;
      add("path", { d: "M" + x + " " + view[1] + "V" + (view[1] + view[3]) });
      add("text", { x: x, y: view[1] + view[3], dx: "0.3em", dy: "-0.4em" }, (e / unit).toFixed(places) + " E");
    }
    const top = north - view[1];
    for (let n = Math.ceil((top - view[3]) / step) * step; n <= top; n += step) {
      const y = north - n;
      add("path", { d: "M" + view[0] + " " + y + "H" + (view[0] + view[2]) });
      add("text", { x: view[0], y: y, dx: "0.3em", dy: "-0.3em" }, (n / unit).toFixed(places) + " N");
    }
  }

  function drawBar() {
    const pixel = view[2] / map.clientWidth;
    const length = nice((bar.clientWidth * pixel * 0.9) / 2 / unit) * unit;
    bar.setAttribute("viewBox", "0 0 " + bar.clientWidth + " 10");
    bar.firstElementChild.setAttribute("d", "M1 2V8H" + (1 + length / pixel) + "V2");
    barWords.textContent = Number((length / unit).toPrecision(6)) + (unit === 1 ? " m" : " ft");
  }

  function draw() {
    map.setAttribute("viewBox", view.join(" "));
    map.style.setProperty("--u", view[2] / map.clientWidth);
    map.classList.toggle("near", view[2] < whole[2] / 3);
    drawGrid();
    drawBar();
  }

  function zoom(factor, x, y) {
    const width = Math.min(whole[2], Math.max(whole[2] / 400, view[2] * factor));
    const by = width / view[2];
    move([x - (x - view[0]) * by, y - (y - view[1]) * by, width, (width * whole[3]) / whole[2]]);
  }

  function move(wanted) {
    wanted[0] = Math.min(Math.max(wanted[0], whole[0]), whole[0] + whole[2] - wanted[2]);
    wanted[1] = Math.min(Math.max(wanted[1], whole[1]), whole[1] + whole[3] - wanted[3]);
    view = wanted;
    draw();
  }

  const pan = { left: [-1, 0], right: [1, 0], up: [0, -1], down: [0, 1] };
  for (const button of plan.querySelectorAll("button[data-do]")) {
    button.addEventListener("click", function () {
      const what = button.dataset.do;
      const x = view[0] + view[2] / 2;
      const y = view[1] + view[3] / 2;
      if (what === "in") zoom(0.6, x, y);
      else if (what === "out") zoom(1 / 0.6, x, y);
      else if (what === "whole") move(whole.slice());
      else move([view[0] + (pan[what][0] * view[2]) / 4, view[1] + (pan[what][1] * view[3]) / 4, view[2], view[3]]);
    });
  }
  plan.querySelector(".tools").hidden = false;

  map.addEventListener("wheel", function (event) {
    if (!event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    const box = map.getBoundingClientRect();
    zoom(event.deltaY > 0 ? 1.25 : 0.8, view[0] + ((event.clientX - box.left) / box.width) * view[2],
      view[1] + ((event.clientY - box.top) / box.height) * view[3]);
  }, { passive: false });

  let held = null;
  map.addEventListener("pointerdown", function (event) {
    if (event.button !== 0 || view[2] >= whole[2]) return;
    held = { x: event.clientX, y: event.clientY, view: view.slice() };
    map.setPointerCapture(event.pointerId);
    map.classList.add("moving");
  });
  map.addEventListener("pointermove", function (event) {
    if (held) {
      const pixel = view[2] / map.clientWidth;
      move([held.view[0] - (event.clientX - held.x) * pixel, held.view[1] - (event.clientY - held.y) * pixel, view[2], view[3]]);
      return;
    }
    const title = event.target.querySelector && event.target !== map ? event.target.querySelector("title") : null;
    words.textContent = title ? title.textContent : rest;
  });
  for (const over of ["pointerup", "pointercancel"]) {
    map.addEventListener(over, function () {
      held = null;
      map.classList.remove("moving");
    });
  }
  window.addEventListener("resize", draw);
  window.addEventListener("beforeprint", function () {
    map.style.removeProperty("--u");
  });
  window.addEventListener("afterprint", draw);
  draw();
})();
