// The marked picture: scrolling is the browser's own, zoom changes the picture's width.
// Two fingers, two taps, the wheel with Ctrl, buttons or keys zoom; one finger, the mouse or arrow keys move.
"use strict";
const benchViewer = (() => {
  const LARGEST_ZOOM = 8, ZOOM_STEP = 1.5, DOUBLE_TAP_ZOOM = 3, DOUBLE_TAP_MS = 350, DOUBLE_TAP_PX = 30;
  const WHEEL_PX = 200; // the wheel has to turn so far to zoom by e
  const $ = (id) => document.getElementById(id);
  const view = $("view"), marked = $("marked");

  let zoom = 1;
  function zoomTo(wanted, x = view.clientWidth / 2, y = view.clientHeight / 2) {
    const before = zoom;
    zoom = Math.min(Math.max(wanted, 1), LARGEST_ZOOM);
    const left = (view.scrollLeft + x) * zoom / before - x, top = (view.scrollTop + y) * zoom / before - y;
    marked.style.width = `${100 * zoom}%`;
    view.scrollLeft = left;
    view.scrollTop = top;
    $("smaller").disabled = zoom <= 1;
    $("larger").disabled = zoom >= LARGEST_ZOOM;
  }
  const inView = (clientX, clientY) => {
    const box = view.getBoundingClientRect();
    return [clientX - box.left, clientY - box.top];
  };
  let pinch = null;
  const spread = (touches) => Math.hypot(touches[0].clientX - touches[1].clientX, touches[0].clientY - touches[1].clientY);
  view.addEventListener("touchstart", (event) => {
    pinch = event.touches.length === 2 ? { zoom, spread: spread(event.touches), at: null } : null;
  }, { passive: true });
  view.addEventListener("touchmove", (event) => {
    if (!pinch || event.touches.length !== 2) return;
    if (event.cancelable) event.preventDefault();
    const [a, b] = event.touches;
    const [x, y] = inView((a.clientX + b.clientX) / 2, (a.clientY + b.clientY) / 2);
    if (pinch.at) { view.scrollLeft -= x - pinch.at[0]; view.scrollTop -= y - pinch.at[1]; }
    pinch.at = [x, y];
    zoomTo(pinch.zoom * spread(event.touches) / pinch.spread, x, y);
  }, { passive: false });
  view.addEventListener("touchend", () => { pinch = null; }, { passive: true });
  view.addEventListener("wheel", (event) => {
    if (!event.ctrlKey) return;
    event.preventDefault();
    zoomTo(zoom * Math.exp(-event.deltaY / WHEEL_PX), ...inView(event.clientX, event.clientY));
  }, { passive: false });
  view.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "+" || event.key === "=") zoomTo(zoom * ZOOM_STEP);
    else if (event.key === "-") zoomTo(zoom / ZOOM_STEP);
    else if (event.key === "0") zoomTo(1);
    else return;
    event.preventDefault();
  });
  let tap = { at: 0, x: 0, y: 0 }, drag = null;
  view.addEventListener("click", (event) => {
    const isSecond = event.timeStamp - tap.at < DOUBLE_TAP_MS && Math.hypot(event.clientX - tap.x, event.clientY - tap.y) < DOUBLE_TAP_PX;
    tap = { at: isSecond ? 0 : event.timeStamp, x: event.clientX, y: event.clientY };
    if (isSecond) zoomTo(zoom > 1 ? 1 : DOUBLE_TAP_ZOOM, ...inView(event.clientX, event.clientY));
  });
  view.addEventListener("pointerdown", (event) => {
    if (event.pointerType !== "mouse" || event.button !== 0 || event.target !== marked) return;
    drag = { x: event.clientX + view.scrollLeft, y: event.clientY + view.scrollTop };
    view.setPointerCapture(event.pointerId);
  });
  view.addEventListener("pointermove", (event) => {
    if (!drag) return;
    view.scrollLeft = drag.x - event.clientX;
    view.scrollTop = drag.y - event.clientY;
  });
  for (const end of ["pointerup", "pointercancel"]) view.addEventListener(end, () => { drag = null; });
  marked.addEventListener("dragstart", (event) => event.preventDefault());
  $("larger").addEventListener("click", () => zoomTo(zoom * ZOOM_STEP));
  $("smaller").addEventListener("click", () => zoomTo(zoom / ZOOM_STEP));
  $("whole").addEventListener("click", () => { zoomTo(1); view.scrollTop = 0; });

  // Show a picture from its top, as wide as the frame.
  function open(address) {
    marked.src = address;
    zoomTo(1);
    view.scrollTop = 0;
  }
  zoomTo(1);
  return { open };
})();
