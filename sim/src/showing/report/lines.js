// The search. The lines are packed: base64 of raw deflate of columns of differences (see the page's source).
const NOT_JUDGED = 2147483647;
const mark = element(mapSvg, "polyline", { fill: "none", stroke: "#22262b", "stroke-width": 4, "stroke-linejoin": "round", "pointer-events": "none" });
const unpacked = (async () => {
  const columns = JSON.parse(await (await unpackedBytes("lines")).text());
  for (const column of columns) column.forEach((step, index) => { if (index > 0) column[index] += column[index - 1]; });
  return columns;
})();
unpacked.catch(() => {});
const markLine = (points) => mark.setAttribute("points", points.map(([x, y]) => mapX(x / 10).toFixed(1) + "," + mapY(y / 10).toFixed(1)).join(" "));
const endOf = ([, x, y, , , endX, endY], index) => [x[index + 1] ?? x[index], y[index + 1] ?? y[index]].map((start, axis) => start + [endX, endY][axis][index]);
// With a place, that place of the line is shown; otherwise the line's worst.
const findLine = (all, text, place) => {
  const [lines, ...columns] = all;
  markLine([]);
  if (!/^[0-9]+$/.test(text.trim())) return "Give a whole number: a line of the job, counted from 1.";
  const line = Number(text);
  if (line < 1 || line > data.lines) return `There is no line ${text.trim()}: the job has ${data.lines} lines.`;
  let from = 0, to = lines.length;
  while (from < to) {
    const middle = (from + to) >> 1;
    if (lines[middle] < line) from = middle + 1;
    else to = middle;
  }
  if (data.leftOut > 0 && line > data.lastLine) return `Line ${line}: only the first layer's lines up to ${data.lastLine} are kept in this page, ${data.leftOut} more are not.`;
  const next = lines[from];
  if (next !== line) {
    const near = [from > 0 ? `the last one before it that does is ${lines[from - 1]}` : "", next !== undefined ? `the next one that does is ${next}` : ""].filter(Boolean);
    return `Line ${line} lays nothing on the bed${near.length > 0 ? "; " + near.join(", ") : ""}.`;
  }
  const [x, y, worstX, worstY, , , ...errors] = columns.map((column) => column[from]);
  const run = chosen.run, worst = errors[2 * run] === NOT_JUDGED ? [x, y] : [worstX, worstY];
  markLine([[x, y], worst, endOf(all, from)]);
  move(...(place ?? [worst[0] / 10, worst[1] / 10]));
  const said = data.runs.map((name, run) => {
    const [least, most] = errors.slice(2 * run, 2 * run + 2);
    return least === NOT_JUDGED ? `${name} refused` : `${name} ${signed(least / 10, 1)} to ${signed(most / 10, 1)}`;
  });
  return `Line ${line}: from X ${written(x / 10, 1)}, Y ${written(y / 10, 1)} mm. Gap error, \u00b5m: ${said.join("; ")}. ` +
    `Largest, ${data.runs[data.inUse]}, at X ${written(worstX / 10, 1)}, Y ${written(worstY / 10, 1)} mm.`;
};
// The line that passes nearest to a place, as if lines were straight from start to end.
const nearestLine = (all, x, y) => {
  const [lines, startX, startY] = all;
  let nearest, least = Infinity;
  lines.forEach((line, index) => {
    const [endX, endY] = endOf(all, index), fromX = startX[index], fromY = startY[index];
    const [alongX, alongY] = [endX - fromX, endY - fromY], length = alongX * alongX + alongY * alongY;
    const share = length > 0 ? clamp(((x - fromX) * alongX + (y - fromY) * alongY) / length, 0, 1) : 0;
    const away = Math.hypot(x - fromX - share * alongX, y - fromY - share * alongY);
    if (away < least) [nearest, least] = [line, away];
  });
  return nearest;
};
const answer = async (ask) => {
  byId("found-line").textContent = await unpacked.then(ask, () => "This browser cannot unpack the lines: use a newer one.");
};
// What the search says of a line of a run, with its place on the map.
const showLine = (run, line, place) => {
  choose(run);
  byId("line").value = line;
  if (place) move(...place);
  answer((all) => findLine(all, String(line), place));
  ring[0].scrollIntoView({ block: "center", inline: "center" });
  byId("probe-map").focus({ preventScroll: true });
};
const nameLine = (x, y) => answer((all) => {
  const line = nearestLine(all, x * 10, y * 10);
  if (line === undefined) return "No line of the job lies on the bed.";
  byId("line").value = line;
  return "Nearest: " + findLine(all, String(line), [x, y]);
});
byId("find-line").addEventListener("submit", (event) => {
  event.preventDefault();
  answer((all) => findLine(all, byId("line").value));
});
// An answer to another question is none.
byId("line").addEventListener("input", () => {
  byId("found-line").textContent = "";
  markLine([]);
});

// Places: in the tables, on the map of the chosen run, and on the maps side by side.
for (const button of document.querySelectorAll(".to-line")) {
  const { run, x, y } = button.dataset, place = x === undefined ? undefined : [Number(x), Number(y)];
  button.addEventListener("click", () => showLine(Number(run), Number(button.textContent), place));
}
const showPlaces = () => {
  byId("map-places").replaceChildren(...data.places[chosen.run].map(([line, x, y, error], index) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "place";
    button.textContent = index + 1;
    button.setAttribute("aria-label", `Place ${index + 1}: line ${line}, ${signed(error / 10, 1)} \u00b5m`);
    const { width, height } = mapSvg.viewBox.baseVal;
    button.style.left = 100 * mapX(x / 10) / width + "%";
    button.style.top = 100 * mapY(y / 10) / height + "%";
    button.addEventListener("click", () => showLine(chosen.run, line, [x / 10, y / 10]));
    return button;
  }));
};
runChosen.push(showPlaces);
showPlaces();
for (const panel of document.querySelectorAll("[data-panel]")) {
  panel.addEventListener("click", (event) => {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(panel.ownerSVGElement.getScreenCTM().inverse());
    const [left, top_, width, height] = panel.dataset.frame.split(" ").map(Number);
    const [u, v] = [(point.x - left) / width, (point.y - top_) / height];
    if (u < 0 || u > 1 || v < 0 || v > 1) return;
    choose(Number(panel.dataset.panel));
    move(data.x0 + u * (right - data.x0), top - v * (top - data.y0));
    nameLine(chosen.x, chosen.y);
    ring[0].scrollIntoView({ block: "center", inline: "center" });
    map.focus({ preventScroll: true });
  });
}
map.addEventListener("click", (event) => {
  if (underPointer(event)) nameLine(chosen.x, chosen.y);
});
map.addEventListener("keydown", (event) => {
  if (event.key === "Enter") nameLine(chosen.x, chosen.y);
});
