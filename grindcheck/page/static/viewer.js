// Zoom and pan: only the viewBox changes, so lines stay on their places. Wipe: a clip follows the slider.
function setUp(figure) {
  const svg = figure.querySelector("svg.stage");
  const image = svg.querySelector("image[data-full]");
  const first = svg.getAttribute("viewBox").split(/[ ,]+/).map(Number);
  const whole = image ? [0, 0, Number(image.getAttribute("width")), Number(image.getAttribute("height"))] : first;
  const shape = first[3] / first[2];
  let box = [...first];
  const fingers = new Map();

  function show() {
    const most = Math.max(whole[2], whole[3] / shape);
    box[2] = Math.min(Math.max(box[2], whole[2] / 60), most);
    box[3] = box[2] * shape;
    for (const [at, size] of [[0, 2], [1, 3]]) {
      const room = whole[size] - box[size];
      const off = box[at] - whole[at];
      box[at] = whole[at] + (room >= 0 ? Math.min(Math.max(off, 0), room) : room / 2);
    }
    svg.setAttribute("viewBox", box.map((value) => value.toFixed(2)).join(" "));
    const perPixel = box[2] / Math.max(svg.clientWidth, 1);
    for (const one of svg.querySelectorAll("[data-r]")) one.setAttribute("r", one.dataset.r * perPixel);
    for (const one of svg.querySelectorAll("[data-size]")) one.setAttribute("font-size", one.dataset.size * perPixel);
    figure.classList.toggle("zoomed", box[2] < most * 0.98);
    if (image && image.dataset.full && box[2] < whole[2] * 0.7) {
      image.setAttribute("href", image.dataset.full);
      delete image.dataset.full;
    }
  }
  function zoom(times, at) {
    const [x, y] = at ?? [box[0] + box[2] / 2, box[1] + box[3] / 2];
    const most = Math.max(whole[2], whole[3] / shape);
    const next = Math.min(Math.max(box[2] / times, whole[2] / 60), most);
    const share = next / box[2];
    box = [x - (x - box[0]) * share, y - (y - box[1]) * share, next, next * shape];
    show();
  }
  function place(event) {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [point.x, point.y];
  }
  svg.addEventListener("pointerdown", (event) => {
    if (event.target.closest(".handle, .tag")) return;
    fingers.set(event.pointerId, [event.clientX, event.clientY]);
  });
  svg.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const now = [event.clientX, event.clientY];
    const perPixel = box[2] / svg.clientWidth;
    if (fingers.size === 2) {
      const other = [...fingers].find(([id]) => id !== event.pointerId)[1];
      const far = (one) => Math.hypot(one[0] - other[0], one[1] - other[1]);
      zoom(far(now) / Math.max(far(before), 1), place(event));
    } else if (figure.classList.contains("zoomed")) {
      if (!svg.hasPointerCapture(event.pointerId)) svg.setPointerCapture(event.pointerId);
      box[0] -= (now[0] - before[0]) * perPixel;
      box[1] -= (now[1] - before[1]) * perPixel;
      show();
    }
    fingers.set(event.pointerId, now);
  });
  for (const end of ["pointerup", "pointercancel", "pointerleave"]) {
    svg.addEventListener(end, (event) => fingers.delete(event.pointerId));
  }
  svg.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !figure.classList.contains("zoomed")) return;
    event.preventDefault();
    zoom(event.deltaY < 0 ? 1.2 : 1 / 1.2, place(event));
  }, { passive: false });
  svg.addEventListener("dblclick", (event) => zoom(2.5, place(event)));
  svg.addEventListener("keydown", (event) => {
    if (event.target.closest(".handle")) return;
    const step = box[2] / 8;
    const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    if (event.key === "+" || event.key === "=") zoom(1.5);
    else if (event.key === "-") zoom(1 / 1.5);
    else if (event.key === "0") { box = [...whole]; show(); }
    else if (move && figure.classList.contains("zoomed")) { box[0] += move[0]; box[1] += move[1]; show(); }
    else return;
    event.preventDefault();
  });
  const tools = figure.querySelector("[data-tools]");
  if (tools) {
    tools.hidden = false;
    tools.querySelector("[data-zoom=in]").addEventListener("click", () => zoom(1.7));
    tools.querySelector("[data-zoom=out]").addEventListener("click", () => zoom(1 / 1.7));
    tools.querySelector("[data-zoom=all]").addEventListener("click", () => { box = [...whole]; show(); });
  }
  const wiper = figure.querySelector("[data-wiper]");
  if (wiper) {
    const over = figure.querySelector("[data-over]");
    const edge = figure.querySelector("[data-edge]");
    const wipe = () => {
      const x = whole[2] * wiper.value / 100;
      over.setAttribute("x", x);
      over.setAttribute("width", whole[2] - x);
      edge.setAttribute("x1", x);
      edge.setAttribute("x2", x);
    };
    wiper.addEventListener("input", wipe);
    wipe();
  }
  new ResizeObserver(show).observe(svg);
  show();
}
for (const figure of document.querySelectorAll("[data-viewer]")) setUp(figure);
