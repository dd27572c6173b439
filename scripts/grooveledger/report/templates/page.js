// Values under the pointer, hidden lines, CSV, tables that sort and filter, two captures compared.
// Every page says the same without it.
(() => {
  "use strict";
  const SVG = "http://www.w3.org/2000/svg";
  const LONG_TABLE = 8;
  const POINTER_REACH = 40;

  const make = (tag, properties = {}, ...children) => {
    const element = Object.assign(document.createElement(tag), properties);
    element.append(...children);
    return element;
  };
  const draw = (tag, attributes, text) => {
    const element = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    return element;
  };
  const digits = value => {
    const size = Math.abs(value);
    const said = value.toFixed(size >= 1000 ? 0 : size >= 100 ? 1 : size >= 0.1 || !size ? 2 : 4);
    return +said ? said.replace("-", "\u2212") : said.replace("-", "");
  };

  // A scale of a panel: "log 20 20000 51.84 449.28" is kind, values and places of its ends.
  const scale = written => {
    const [kind, ...ends] = written.split(" ");
    const [low, high, first, last] = ends.map(Number);
    const to = kind === "log" ? Math.log : value => value;
    const from = kind === "log" ? Math.exp : value => value;
    return {
      place: value => first + (to(value) - to(low)) / (to(high) - to(low)) * (last - first),
      value: place => from(to(low) + (place - first) / (last - first) * (to(high) - to(low))),
    };
  };

  // Points of a line: the corners of its path, or the places of its marks where it has no path.
  const corners = group => {
    const path = group.querySelector(":scope > path");
    if (path) {
      const numbers = path.getAttribute("d").match(/-?\d[\d.e-]*/g) || [];
      const points = [];
      for (let i = 0; i + 1 < numbers.length; i += 2) points.push([+numbers[i], +numbers[i + 1]]);
      return points;
    }
    return [...group.querySelectorAll("use")]
      .map(use => [+use.getAttribute("x"), +use.getAttribute("y")]);
  };

  const panelsOf = svg => [...svg.querySelectorAll(".panel")].map(panel => {
    const x = scale(panel.dataset.x), y = scale(panel.dataset.y);
    const curves = [...panel.querySelectorAll(".curve")].map(group => {
      const name = group.dataset.line;
      const label = [...svg.querySelectorAll(".key")].find(key => key.dataset.line === name);
      return {
        name, label: label ? label.textContent.trim() : name, group,
        points: corners(group).map(([px, py]) => ({px, py, x: x.value(px), y: y.value(py)})),
      };
    });
    return {panel, x, y, curves, labelX: panel.dataset.labelX, labelY: panel.dataset.labelY};
  });

  const unit = label => (label.match(/\(([^)]*)\)\s*$/) || ["", ""])[1];
  const shown = curve => curve.group.style.display !== "none";

  // The point of each line nearest to a place along the axis, if the line is there at all.
  const nearest = (curves, px) => curves.filter(shown).map(curve => {
    let best = null;
    for (const point of curve.points)
      if (!best || Math.abs(point.px - px) < Math.abs(best.px - px)) best = point;
    return best && {curve, point: best};
  }).filter(found => found && Math.abs(found.point.px - px) < POINTER_REACH);

  const csv = panels => {
    const rows = [["line", panels[0].labelX || "x", panels[0].labelY || "y"]];
    for (const {curves} of panels)
      for (const curve of curves.filter(shown))
        for (const point of curve.points) rows.push([curve.label, +point.x.toPrecision(6), +point.y.toPrecision(6)]);
    const cell = value => typeof value === "string" ? '"' + value.replaceAll('"', '""') + '"' : value;
    return rows.map(row => row.map(cell).join(",")).join("\n") + "\n";
  };

  const copy = async text => {
    try {
      await navigator.clipboard.writeText(text);
    } catch {
      const area = make("textarea", {value: text});
      document.body.append(area);
      area.select();
      document.execCommand("copy");
      area.remove();
    }
  };

  const pixels = (svg, name) => {
    const [, , width, height] = svg.getAttribute("viewBox").split(" ").map(Number);
    const whole = svg.cloneNode(true);
    const from = svg.querySelectorAll("*"), to = whole.querySelectorAll("*");
    from.forEach((element, i) => {
      const style = getComputedStyle(element);
      for (const property of ["fill", "stroke", "font-family", "display"]) to[i].style[property] = style[property];
    });
    whole.setAttribute("xmlns", SVG);
    whole.setAttribute("width", width * 3);
    whole.setAttribute("height", height * 3);
    const image = new Image();
    image.onload = () => {
      const canvas = make("canvas", {width: width * 3, height: height * 3});
      canvas.getContext("2d").drawImage(image, 0, 0);
      make("a", {href: canvas.toDataURL("image/png"), download: name + ".png"}).click();
    };
    image.src = "data:image/svg+xml," + encodeURIComponent(new XMLSerializer().serializeToString(whole));
  };

  const enliven = holder => {
    const svg = holder.querySelector("svg.picture");
    const panels = svg ? panelsOf(svg).filter(panel => panel.curves.length) : [];
    if (!svg) return;
    const caption = holder.parentElement.querySelector("figcaption");
    const savable = () => {
      const button = make("button", {type: "button", className: "copy", textContent: "Save as PNG"});
      button.addEventListener("click", () => pixels(svg, holder.closest("figure").id));
      if (caption) caption.append(button);
    };
    if (!panels.length) return savable();
    const values = make("output", {className: "values"});
    values.setAttribute("aria-live", "polite");
    holder.after(values);
    const cursor = draw("line", {class: "cursor", visibility: "hidden"});
    svg.append(cursor);
    let place = null, current = panels[0];

    const show = (panel, px) => {
      const found = nearest(panel.curves, px);
      if (!found.length) return hide();
      const at = found.reduce((a, b) =>
        Math.abs(a.point.px - px) < Math.abs(b.point.px - px) ? a : b).point;
      const [, , , , bottom] = ["", ...panel.panel.dataset.y.split(" ")].map(Number);
      const top = Number(panel.panel.dataset.y.split(" ")[4]);
      for (const [name, value] of [["x1", at.px], ["x2", at.px], ["y1", bottom], ["y2", top]])
        cursor.setAttribute(name, value);
      cursor.setAttribute("visibility", "visible");
      place = at.px;
      current = panel;
      const unitX = unit(panel.labelX), unitY = unit(panel.labelY);
      values.textContent = `${digits(at.x)} ${unitX}: ` + nearest(panel.curves, at.px)
        .map(({curve, point}) => `${curve.label} ${digits(point.y)} ${unitY}`).join(", ");
    };
    const hide = () => {
      cursor.setAttribute("visibility", "hidden");
      values.textContent = "";
    };
    svg.addEventListener("pointermove", event => {
      const spot = new DOMPoint(event.clientX, event.clientY)
        .matrixTransform(svg.getScreenCTM().inverse());
      const inside = panels.find(({panel}) => {
        const [, , , bottom, top] = panel.dataset.y.split(" ").map(Number);
        return spot.y <= bottom && spot.y >= top;
      });
      if (inside) show(inside, spot.x); else hide();
    });
    svg.addEventListener("pointerleave", hide);
    holder.addEventListener("keydown", event => {
      const step = {ArrowLeft: -1, ArrowRight: 1}[event.key];
      if (!step || event.target !== holder) return;
      event.preventDefault();
      const places = [...new Set(current.curves.filter(shown)
        .flatMap(curve => curve.points.map(point => point.px)))].sort((a, b) => a - b);
      if (!places.length) return;
      const jump = event.shiftKey ? 10 : 1;
      let index = place === null ? (step > 0 ? -jump : places.length)
        : places.findIndex(value => value >= place - 1e-6);
      index = Math.min(Math.max(index + step * jump, 0), places.length - 1);
      show(current, places[index]);
    });
    holder.addEventListener("blur", hide);

    const names = new Set(panels.flatMap(panel => panel.curves.map(curve => curve.name)));
    if (names.size > 1) for (const key of svg.querySelectorAll(".key")) {
      if (!names.has(key.dataset.line)) continue;
      const toggle = () => {
        const hidden = key.getAttribute("aria-pressed") === "true";
        key.setAttribute("aria-pressed", String(!hidden));
        for (const part of svg.querySelectorAll(".curve, .part"))
          if (part.dataset.line === key.dataset.line) part.style.display = hidden ? "none" : "";
      };
      key.setAttribute("role", "button");
      key.setAttribute("tabindex", "0");
      key.setAttribute("aria-pressed", "true");
      key.setAttribute("aria-label", `Show ${key.textContent.trim()}`);
      key.addEventListener("click", toggle);
      key.addEventListener("keydown", event => {
        if (event.key !== "Enter" && event.key !== " ") return;
        event.preventDefault();
        toggle();
      });
    }
    // A picture whose lines can be reached is a group of them, no single image.
    svg.setAttribute("role", "group");

    if (!caption) return;
    const button = make("button", {type: "button", className: "copy", textContent: "Copy values as CSV"});
    button.addEventListener("click", async () => {
      await copy(csv(panels));
      button.textContent = "Copied";
      setTimeout(() => { button.textContent = "Copy values as CSV"; }, 1500);
    });
    caption.append(button);
    savable();
  };

  // Tables: heads that sort; long ones get a filter.
  const number = text => {
    const found = text.replaceAll("\u2212", "-").match(/^[^\d-]*(-?\d[\d.]*)/);
    return found ? parseFloat(found[1]) : NaN;
  };
  const compare = (a, b, numeric) => {
    if (!numeric) return a.localeCompare(b, "en", {numeric: true});
    const [x, y] = [number(a), number(b)];
    return isNaN(x) - isNaN(y) || x - y || 0;
  };
  const live = table => {
    const body = table.tBodies[0], heads = [...table.tHead.rows[0].cells], rows = [...body.rows];
    if (rows.length < 2) return;
    heads.forEach((head, column) => {
      const button = make("button", {type: "button"}, ...head.childNodes);
      head.replaceChildren(button);
      button.addEventListener("click", () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        heads.forEach(other => other.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        const numeric = head.classList.contains("n");
        const text = row => row.cells[column].textContent;
        body.append(...rows.slice().sort((a, b) => (down ? -1 : 1) * compare(text(a), text(b), numeric)));
      });
    });
    if (rows.length < LONG_TABLE) return;
    const said = rows.map(row => row.textContent.toLowerCase());
    const filter = make("input", {type: "search", autocomplete: "off"});
    const count = make("span", {className: "soft shown"});
    count.setAttribute("role", "status");
    const tools = make("p", {className: "tools"}, make("label", {}, "Show only rows with ", filter), " ");
    const moving = rows.some(row => row.hasAttribute("data-moves")) && make("input", {type: "checkbox"});
    if (moving) tools.append(make("label", {className: "only"}, moving, " only what moves"), " ");
    tools.append(count);
    const apply = () => {
      const wanted = filter.value.trim().toLowerCase().split(/\s+/);
      let left = 0;
      rows.forEach((row, i) => {
        row.hidden = !wanted.every(word => said[i].includes(word))
          || Boolean(moving && moving.checked && !row.hasAttribute("data-moves"));
        left += !row.hidden;
      });
      count.textContent = `${left} of ${rows.length}`;
    };
    filter.addEventListener("input", apply);
    if (moving) moving.addEventListener("change", apply);
    table.closest(".scroll").before(tools);
  };

  // Any two captures of a stylus over one another, with their difference below.
  const SCALES = {
    response: ["Response (dB)", "dB", false], separation: ["Separation (dB)", "dB", false],
    distortion: ["Distortion (%)", "percentage points", true],
  };
  const TICKS = [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000];
  const hertz = value => value >= 1000 ? value / 1000 + "k" : String(value);
  const steps = (low, high) => {
    const span = high - low, rough = span / 6, base = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map(n => n * base).find(n => n >= rough);
    const ticks = [];
    for (let i = Math.ceil(low / step - 1e-9); i <= high / step + 1e-9; i++) ticks.push(+(i * step).toPrecision(6));
    return ticks;
  };
  const at = ([x, y], wanted) => {
    if (wanted < x[0] || wanted > x[x.length - 1]) return NaN;
    const after = Math.max(1, x.findIndex(value => value >= wanted));
    const part = Math.log(wanted / x[after - 1]) / Math.log(x[after] / x[after - 1]);
    return y[after - 1] + part * (y[after] - y[after - 1]);
  };
  const plot = (svg, id, top, height, lines, ends, labelY, zero) => {
    const left = 52, right = 446, bottom = top + height;
    const values = lines.flatMap(line => line.y).filter(Number.isFinite);
    let low = Math.min(...values), high = Math.max(...values);
    if (zero) { low = Math.min(low, -0.5); high = Math.max(high, 0.5); }
    const spare = Math.max(0.05 * (high - low), 1e-3);
    low -= spare; high += spare;
    const panel = draw("g", {
      class: "panel", "data-x": `log ${ends[0]} ${ends[1]} ${left} ${right}`,
      "data-y": `linear ${low} ${high} ${bottom} ${top}`,
      "data-label-x": "Frequency (Hz)", "data-label-y": labelY,
    });
    const x = scale(panel.dataset.x), y = scale(panel.dataset.y);
    const text = (px, py, anchor, said, more = {}) =>
      panel.append(draw("text", {x: px, y: py, "text-anchor": anchor, ...more}, said));
    for (const tick of TICKS.filter(tick => tick >= ends[0] && tick <= ends[1])) {
      panel.append(draw("path", {d: `M ${x.place(tick)} ${bottom} L ${x.place(tick)} ${top}`, class: "rule"}));
      text(x.place(tick), bottom + 16, "middle", hertz(tick));
    }
    for (const tick of steps(low, high)) {
      panel.append(draw("path", {d: `M ${left} ${y.place(tick)} L ${right} ${y.place(tick)}`, class: "rule"}));
      text(left - 4, y.place(tick) + 4, "end", String(tick).replace("-", "\u2212"));
    }
    if (zero) text((left + right) / 2, bottom + 32, "middle", "Frequency (Hz)");
    text(12, (top + bottom) / 2, "middle", labelY, {transform: `rotate(-90 12 ${(top + bottom) / 2})`});
    for (const line of lines) {
      const group = draw("g", {class: "curve", "data-line": line.name});
      const d = line.x.map((value, i) => Number.isFinite(line.y[i])
        ? `${i && Number.isFinite(line.y[i - 1]) ? "L" : "M"} ${x.place(value).toFixed(3)} ${y.place(line.y[i]).toFixed(3)}` : "").join(" ");
      group.append(draw("path", {d, class: "line " + line.look}));
      panel.append(group);
    }
    svg.append(panel);
  };
  window.stylusCurves = captures => {
    const section = document.getElementById("compare");
    const [a, b, curve, channel] = ["a", "b", "curve", "channel"]
      .map(name => document.getElementById("compare-" + name));
    const holder = document.getElementById("compare-picture");
    const result = document.getElementById("compare-result");
    for (const select of [a, b]) captures.forEach((capture, i) => select.append(
      make("option", {value: i, textContent: `${capture.capture}, ${capture.hours} h, ${capture.record}`})));
    // The newest that has an earlier one of its record, side and chain, and the first of those:
    // another side may hold no curve, and records and loads differ by their own share.
    const drawable = captures.map(capture => Boolean((capture.curves[curve.value] || {})[channel.value]));
    const alike = (one, other) => one.record === other.record && one.chain === other.chain;
    const first = newest => captures.findIndex((capture, i) =>
      drawable[i] && i < newest && alike(capture, captures[newest]));
    let newest = captures.length - 1;
    while (newest > 0 && (!drawable[newest] || first(newest) < 0)) newest--;
    a.value = newest > 0 ? first(newest) : Math.max(drawable.indexOf(true), 0);
    b.value = newest > 0 ? newest : Math.max(drawable.lastIndexOf(true), 0);
    const update = () => {
      holder.replaceChildren();
      if (holder.nextElementSibling.className === "values") holder.nextElementSibling.remove();
      const pair = [a, b].map(select => captures[select.value]);
      const [one, other] = pair.map(capture => (capture.curves[curve.value] || {})[channel.value]);
      if (!one || !other) {
        result.textContent = `Not both captures have a ${curve.value} of the ${channel.value} channel.`;
        return;
      }
      const [label, unitName] = SCALES[curve.value];
      const ends = [Math.min(one[0][0], other[0][0]), Math.max(one[0].at(-1), other[0].at(-1))];
      const change = one[0].map((frequency, i) => at(other, frequency) - one[1][i]);
      const svg = draw("svg", {class: "picture", role: "img", viewBox: "0 0 460 342",
        "aria-label": `${label} of ${pair[0].capture} and ${pair[1].capture}, and their difference`});
      plot(svg, "both", 24, 150, [
        {name: "first", x: one[0], y: one[1], look: "first"},
        {name: "second", x: other[0], y: other[1], look: "second"},
      ], ends, label, false);
      plot(svg, "change", 212, 92, [{name: "change", x: one[0], y: change, look: "change"}],
        ends, `Change (${unitName === "dB" ? "dB" : "points"})`, true);
      const places = [52, 200, 350];
      [["first", pair[0].capture], ["second", pair[1].capture], ["change", "difference"]]
        .forEach(([name, said], i) => {
          const key = draw("g", {class: "key", "data-line": name});
          key.append(draw("text", {x: places[i] + 26, y: 14}, said));
          svg.append(draw("path", {d: `M ${places[i]} 10 l 22 0`, class: "line " + name}), key);
        });
      holder.append(svg);
      enliven(holder);
      const largest = change.reduce((best, value, i) =>
        Number.isFinite(value) && Math.abs(value) > Math.abs(change[best] || 0) ? i : best, 0);
      const [first, second] = pair.map(({capture}) =>
        make("a", {href: `../captures/${capture}.html`, textContent: capture}));
      result.replaceChildren(second, " less ", first, ": largest change "
        + `${digits(change[largest])} ${unitName} at ${digits(one[0][largest])} Hz.`
        + (alike(...pair) ? ""
          : " They differ in record, side or chain, and part of the change is due to that."));
    };
    for (const select of [a, b, curve, channel]) select.addEventListener("change", update);
    section.hidden = false;
    update();
  };

  // What was expected of a capture, from the file that the page of its stylus wrote.
  window.captureExpected = rows => {
    const section = document.getElementById("expected");
    if (!section || !rows.length) return;
    const heads = ["Figure", "Channel", "Here", "Expected", "95 % limits", "Unit"];
    const head = make("tr", {}, ...heads.map((text, i) =>
      make("th", {scope: "col", className: i > 1 && i < 5 ? "n" : "", textContent: text})));
    const body = make("tbody", {}, ...rows.map(row => {
      const cells = row.slice(0, 6).map((text, i) => make(i ? "td" : "th",
        {...(i ? {} : {scope: "row"}), className: i > 1 && i < 5 ? "n" : "", textContent: text}));
      const line = make("tr", {}, ...cells);
      if (row[6]) { line.dataset.moves = ""; line.cells[2].append(" (outside)"); }
      return line;
    }));
    const table = make("table", {}, make("thead", {}, head), body);
    document.getElementById("expected-table").append(table);
    const outside = rows.filter(row => row[6]).length;
    document.getElementById("expected-said").textContent = `${outside} of ${rows.length} figures `
      + "lie outside the limits that the fit to the stylus's other days sets.";
    document.getElementById("expected-all").open = outside > 0;
    section.hidden = false;
    live(table);
  };

  document.querySelectorAll("figure > .scroll").forEach(enliven);
  document.querySelectorAll(".scroll > table").forEach(table => { if (table.tHead) live(table); });
})();
