// Handles of plunge and shoulder lines: pulled by finger or mouse, or moved with arrow keys.
const form = document.querySelector("[data-lines]");
const told = form.querySelector("[data-moved]");
const moved = new Set();

for (const line of form.querySelectorAll("[data-line]")) {
  const svg = line.closest("svg");
  const handles = [...line.querySelectorAll(".handle")];
  const drawn = line.querySelectorAll("polyline");
  const field = form.querySelector(`[data-field="${line.dataset.line}"]`);
  const size = svg.querySelector("image");
  const far = [Number(size.getAttribute("width")) - 1, Number(size.getAttribute("height")) - 1];

  // The traced line bends with its handles: between two of them it is shifted by a share of each.
  const traced = drawn[0].getAttribute("points").split(" ").map((pair) => pair.split(",").map(Number));
  const starts = handles.map((one) => [Number(one.dataset.x), Number(one.dataset.y)]);
  function bent() {
    const parts = handles.length - 1;
    const shifts = handles.map((one, n) => [one.dataset.x - starts[n][0], one.dataset.y - starts[n][1]]);
    return traced.map(([x, y], n) => {
      const at = traced.length > 1 ? n / (traced.length - 1) * parts : 0;
      const low = Math.min(Math.floor(at), parts - 1);
      const share = at - low;
      return [0, 1].map((axis) => [x, y][axis] + (1 - share) * shifts[low][axis] + share * shifts[low + 1][axis]);
    });
  }
  function put(handle, x, y) {
    x = Math.min(Math.max(x, 0), far[0]);
    y = Math.min(Math.max(y, 0), far[1]);
    handle.dataset.x = x;
    handle.dataset.y = y;
    handle.setAttribute("transform", `translate(${x} ${y})`);
    handle.setAttribute("aria-valuenow", Math.round(x));
    handle.setAttribute("aria-valuetext", `x ${Math.round(x)}, y ${Math.round(y)}`);
    const points = bent().map(([px, py]) => `${px.toFixed(2)},${py.toFixed(2)}`);
    for (const one of drawn) one.setAttribute("points", points.join(" "));
    field.value = points.join(",");
    moved.add(line.dataset.line.replace("-", " line, "));
    told.textContent = `Moved by hand: ${[...moved].join("; ")}.`;
  }
  for (const handle of handles) {
    let grip = null;
    handle.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      event.stopPropagation();
      handle.setPointerCapture(event.pointerId);
      handle.focus();
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      grip = [at.x - handle.dataset.x, at.y - handle.dataset.y];
    });
    handle.addEventListener("pointermove", (event) => {
      if (!grip) return;
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      put(handle, at.x - grip[0], at.y - grip[1]);
    });
    for (const end of ["pointerup", "pointercancel"]) handle.addEventListener(end, () => { grip = null; });
    handle.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 10 : 1;
      const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
      if (!move) return;
      event.preventDefault();
      event.stopPropagation();
      put(handle, Number(handle.dataset.x) + move[0], Number(handle.dataset.y) + move[1]);
    });
  }
}
