'use strict';
// Draws the charts of a replay over one time axis. The data stand in the element `data`; all texts are in the page.
(() => {
  const data = JSON.parse(document.getElementById('data').textContent);
  const host = document.getElementById('charts');
  const picker = document.getElementById('trip');
  const shown = document.getElementById('shown');
  const lists = [...document.querySelectorAll('section.trip')];
  const AXIS = 56;
  const HOLE_S = 5;
  let trip = null;
  let plots = [];
  let view = null;

  for (const element of document.querySelectorAll('.needs-script')) element.hidden = false;

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const font = () => '13px ' + getComputedStyle(document.body).fontFamily;

  function clock(seconds, withTenths) {
    const sign = seconds < 0 ? '-' : '';
    const all = Math.abs(seconds);
    const whole = Math.floor(all);
    const two = (number) => String(number).padStart(2, '0');
    const tenths = withTenths && all - whole >= 0.05 ? '.' + Math.floor((all - whole) * 10) : '';
    return sign + Math.floor(whole / 3600) + ':' + two(Math.floor(whole / 60) % 60) + ':' + two(whole % 60) + tenths;
  }

  // A gap stays a gap only where nothing came for longer than can be judged across: `null` breaks a line, a missing
  // value does not.
  function joined(values, x, longest) {
    const out = values.slice();
    let last = -1;
    for (let i = 0; i < out.length; i++) {
      if (out[i] === null) continue;
      if (last >= 0 && x[i] - x[last] <= longest) for (let k = last + 1; k < i; k++) out[k] = undefined;
      last = i;
    }
    return out;
  }

  // Times at which rows stop coming get a row of their own without values, so that lines break there.
  function withBreaks(source) {
    const longest = Math.max(HOLE_S, source.width * 2);
    const x = [];
    const place = [];
    source.x.forEach((at, i) => {
      if (i > 0 && at - source.x[i - 1] > longest) {
        x.push((at + source.x[i - 1]) / 2);
        place.push(-1);
      }
      x.push(at);
      place.push(i);
    });
    const spread = (values) => joined(place.map((i) => (i < 0 ? null : values[i])), x, longest);
    return { x, spread };
  }

  const all = () => {
    const first = trip.x.length ? trip.x[0] : 0;
    const last = trip.x.length ? trip.x[trip.x.length - 1] + trip.width : 1;
    return { from: first, to: Math.max(last, first + 1) };
  };

  function show(from, to) {
    const whole = all();
    const least = Math.max(trip.width * 4, 2);
    let span = Math.min(Math.max(to - from, least), whole.to - whole.from);
    let start = Math.min(Math.max((from + to) / 2 - span / 2, whole.from), whole.to - span);
    view = { from: start, to: start + span };
    for (const plot of plots) plot.setScale('x', { min: view.from, max: view.to });
    const width = trip.width > 1 ? ' Each point holds the least and the greatest value of ' + trip.width + ' s.' : '';
    shown.textContent = 'Shown: ' + clock(view.from) + ' to ' + clock(view.to) + ' (hours:minutes:seconds).' + width;
  }

  const zoom = (factor, at = (view.from + view.to) / 2) =>
    show(at - (at - view.from) * factor, at + (view.to - at) * factor);
  const move = (share) => show(view.from + (view.to - view.from) * share, view.to + (view.to - view.from) * share);
  const showAll = () => show(all().from, all().to);

  const axis = (values) => ({
    stroke: () => colour('--ink'), grid: { stroke: () => colour('--rule'), width: 1 },
    ticks: { stroke: () => colour('--rule'), width: 1 }, font: font(), ...values,
  });
  const timeAxis = () => axis({
    space: 72, size: 28,
    incrs: [0.1, 0.5, 1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 14400, 43200, 86400, 172800, 432000],
    values: (plot, splits) => splits.map((at) => clock(at, true)),
  });

  function inside(plot, drawn) {
    const { ctx, bbox } = plot;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    drawn(ctx, bbox, (value) => plot.valToPos(value, 'y', true));
    ctx.restore();
  }

  // Bands to compare with stand behind the values.
  const drawBands = (plot, bounds) => inside(plot, (ctx, bbox, y) => {
    ctx.fillStyle = colour('--fill');
    for (const { low, high } of bounds) {
      if (low !== null && high !== null) ctx.fillRect(bbox.left, y(high), bbox.width, y(low) - y(high));
    }
  });

  // Lines to compare with, and their names, stand before them.
  const drawBounds = (plot, bounds) => inside(plot, (ctx, bbox, y) => {
    for (const bound of bounds) {
      ctx.strokeStyle = colour('--bound');
      ctx.lineWidth = devicePixelRatio;
      ctx.setLineDash([6 * devicePixelRatio, 4 * devicePixelRatio]);
      for (const value of [bound.low, bound.high]) {
        if (value === null) continue;
        ctx.beginPath();
        ctx.moveTo(bbox.left, y(value));
        ctx.lineTo(bbox.left + bbox.width, y(value));
        ctx.stroke();
      }
      ctx.font = 12 * devicePixelRatio + 'px ' + getComputedStyle(document.body).fontFamily;
      ctx.textAlign = 'right';
      const top = bound.high !== null ? bound.high : bound.low;
      const below = y(top) - bbox.top < 18 * devicePixelRatio;
      ctx.textBaseline = below ? 'top' : 'bottom';
      const gap = (below ? 3 : -3) * devicePixelRatio;
      const right = bbox.left + bbox.width - 4 * devicePixelRatio;
      const [wide, high] = [ctx.measureText(bound.label).width, 14 * devicePixelRatio];
      ctx.fillStyle = colour('--paper');
      ctx.fillRect(right - wide, y(top) + gap - (below ? 0 : high), wide, high);
      ctx.fillStyle = colour('--bound');
      ctx.fillText(bound.label, right, y(top) + gap);
    }
  });

  // Rows of bars with a name over each: run states, findings.
  function drawLanes(plot, lanes) {
    const { ctx, bbox } = plot;
    const unit = devicePixelRatio;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    ctx.textBaseline = 'top';
    ctx.textAlign = 'left';
    lanes.forEach((lane, row) => {
      const top = bbox.top + row * LANE * unit;
      ctx.fillStyle = colour('--ink');
      fit(ctx, lane.name, bbox.width - 8 * unit, unit);
      ctx.fillText(lane.name, bbox.left + 4 * unit, top + 2 * unit);
      for (const bar of lane.bars) {
        const left = plot.valToPos(bar.from, 'x', true);
        const width = Math.max(plot.valToPos(bar.to, 'x', true) - left, 3 * unit);
        if (left > bbox.left + bbox.width || left + width < bbox.left) continue;
        const [y, height] = [top + 19 * unit, 13 * unit];
        ctx.strokeStyle = colour('--ink');
        ctx.lineWidth = 1.5 * unit;
        ctx.fillStyle = colour({ A: '--ink', W: '--fill', C: '--paper' }[bar.level] || '--line');
        ctx.fillRect(left, y, width, height);
        if (bar.level === 'W') hatch(ctx, left, y, width, height, unit);
        ctx.setLineDash(bar.level === 'C' ? [4 * unit, 3 * unit] : []);
        if (bar.level !== undefined) ctx.strokeRect(left, y, width, height);
        if (bar.level !== undefined && width > 16 * unit) {
          ctx.font = 'bold ' + 11 * unit + 'px sans-serif';
          ctx.fillStyle = colour('--paper');
          const seen = Math.max(left, bbox.left);
          if (bar.level !== 'A') ctx.fillRect(seen + 2 * unit, y + unit, 12 * unit, height - 2 * unit);
          ctx.fillStyle = bar.level === 'A' ? colour('--paper') : colour('--ink');
          ctx.fillText(bar.level, seen + 4 * unit, y + 2 * unit);
        }
      }
    });
    ctx.restore();
  }

  // A name that is too long for a narrow screen is written smaller.
  function fit(ctx, text, room, unit) {
    for (let size = 13; size >= 9; size--) {
      ctx.font = size * unit + 'px ' + getComputedStyle(document.body).fontFamily;
      if (ctx.measureText(text).width <= room) return;
    }
  }

  function hatch(ctx, left, top, width, height, unit) {
    ctx.save();
    ctx.beginPath();
    ctx.rect(left, top, width, height);
    ctx.clip();
    ctx.beginPath();
    for (let x = left - height; x < left + width; x += 6 * unit) {
      ctx.moveTo(x, top + height);
      ctx.lineTo(x + height, top);
    }
    ctx.stroke();
    ctx.restore();
  }

  const LANE = 36;

  function stateLanes() {
    const lanes = data.states.map((name) => ({ name, bars: [] }));
    trip.x.forEach((at, i) => {
      const next = i + 1 < trip.x.length ? trip.x[i + 1] : at + trip.width;
      const to = next - at > Math.max(HOLE_S, trip.width * 2) ? at + trip.width : next;
      lanes.forEach((lane, bit) => {
        if (!(trip.states[i] & (1 << bit))) return;
        const last = lane.bars[lane.bars.length - 1];
        if (last && last.to === at) last.to = to;
        else lane.bars.push({ from: at, to });
      });
    });
    return lanes.filter((lane) => lane.bars.length > 0);
  }

  function findingLanes() {
    const lanes = new Map();
    for (const finding of trip.findings) {
      if (!lanes.has(finding.words)) lanes.set(finding.words, []);
      lanes.get(finding.words).push({ ...finding, to: finding.to === null ? all().to : finding.to });
    }
    return [...lanes].map(([name, bars]) => ({ name, bars }));
  }

  function frame(title, label) {
    const heading = document.createElement('h3');
    const read = document.createElement('span');
    read.className = 'read';
    heading.append(title, read);
    const box = document.createElement('div');
    box.className = 'plot';
    box.setAttribute('role', 'img');
    box.setAttribute('aria-label', label);
    host.append(heading, box);
    return { box, read };
  }

  const width = () => Math.max(host.clientWidth, 200);

  function options(height, more) {
    return {
      width: width(), height, legend: { show: false }, padding: [4, 26, 0, 0],
      cursor: { sync: { key: 'trace' }, y: false, drag: { x: true, y: false, setScale: false }, points: { show: false } },
      ...more,
      hooks: {
        setSelect: [(plot) => {
          const { left, width: wide } = plot.select;
          if (wide > 4) show(plot.posToVal(left, 'x'), plot.posToVal(left + wide, 'x'));
          plot.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
        }],
        ...more.hooks,
      },
    };
  }

  function laneChart(title, lanes, label) {
    const { box } = frame(title, label);
    const plot = new uPlot(options(lanes.length * LANE + 34, {
      scales: { x: { time: false }, y: { range: [0, 1] } },
      series: [{}, { show: false }],
      axes: [timeAxis(), axis({ size: AXIS, values: () => [], splits: () => [], grid: { show: false } })],
      hooks: { draw: [(it) => drawLanes(it, lanes)] },
    }), [[all().from, all().to], [0, 0]], box);
    plots.push(plot);
    steer(plot);
  }

  function channelChart(channel, rows) {
    const low = rows.spread(channel.low);
    const high = rows.spread(channel.high);
    const numbers = (values) => values.filter((value) => value !== null && value !== undefined);
    const [least, greatest] = [numbers(low).reduce((a, b) => Math.min(a, b), Infinity),
      numbers(high).reduce((a, b) => Math.max(a, b), -Infinity)];
    const marks = channel.bounds.flatMap((bound) => [bound.low, bound.high]).filter((value) => value !== null);
    const bounds = channel.bounds.map((bound) => bound.label + ' ' + [bound.low, bound.high]
      .filter((value) => value !== null).join(' to ')).join('; ');
    const { box, read } = frame(channel.label, channel.label + ' over time: from ' + least + ' to ' + greatest
      + (bounds ? '; ' + bounds : ''));
    const line = { stroke: () => colour('--line'), width: 1.5, points: { show: false } };
    const plot = new uPlot(options(190, {
      scales: { x: { time: false }, y: { range: (it, min, max) => {
        const ends = [least, greatest, ...marks];
        return uPlot.rangeNum(Math.min(...ends), Math.max(...ends), 0.08, true);
      } } },
      series: [{}, line, line],
      bands: [{ series: [2, 1], fill: () => colour('--fill') }],
      axes: [timeAxis(), axis({ size: AXIS })],
      hooks: {
        drawAxes: [(it) => drawBands(it, channel.bounds)],
        draw: [(it) => drawBounds(it, channel.bounds)],
        setCursor: [(it) => {
          const i = it.cursor.idx;
          const [a, b] = [i == null ? null : low[i], i == null ? null : high[i]];
          if (a == null) read.textContent = '';
          else read.textContent = (a === b ? a : a + ' to ' + b) + ' at ' + clock(rows.x[i]);
        }],
      },
    }), [rows.x, low, high], box);
    plots.push(plot);
    steer(plot);
  }

  // Wheel, moving with Shift, fingers.
  function steer(plot) {
    const over = plot.over;
    const fingers = new Map();
    const valueAt = (x) => plot.posToVal(x - over.getBoundingClientRect().left, 'x');
    over.addEventListener('wheel', (event) => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      zoom(event.deltaY > 0 ? 1.25 : 0.8, valueAt(event.clientX));
    }, { passive: false });
    over.addEventListener('dblclick', showAll);
    over.addEventListener('mousedown', (event) => {
      if (!event.shiftKey) return;
      event.stopImmediatePropagation();
      let last = event.clientX;
      const follow = (to) => {
        move((last - to.clientX) / over.clientWidth);
        last = to.clientX;
      };
      document.addEventListener('mousemove', follow);
      document.addEventListener('mouseup', () => document.removeEventListener('mousemove', follow), { once: true });
    }, { capture: true });
    over.addEventListener('pointerdown', (event) => {
      if (event.pointerType === 'touch') fingers.set(event.pointerId, event.clientX);
    });
    over.addEventListener('pointermove', (event) => {
      if (!fingers.has(event.pointerId)) return;
      const before = [...fingers.values()];
      fingers.set(event.pointerId, event.clientX);
      const now = [...fingers.values()];
      if (now.length === 1) {
        move((before[0] - now[0]) / over.clientWidth);
      } else if (now.length === 2) {
        const apart = (pair) => Math.max(Math.abs(pair[0] - pair[1]), 10);
        zoom(apart(before) / apart(now), valueAt((now[0] + now[1]) / 2));
      }
    });
    for (const name of ['pointerup', 'pointercancel', 'pointerleave']) {
      over.addEventListener(name, (event) => fingers.delete(event.pointerId));
    }
  }

  function draw() {
    for (const plot of plots) plot.destroy();
    plots = [];
    host.replaceChildren();
    const states = stateLanes();
    laneChart('Run states', states, 'Run states over time: ' + states.map((lane) => lane.name).join(', '));
    const found = findingLanes();
    if (found.length > 0) {
      laneChart('Findings: A alarm, W warning, C caution', found,
        'Findings over time, listed below: ' + found.map((lane) => lane.name).join(', '));
    }
    const rows = withBreaks(trip);
    for (const channel of trip.channels) channelChart(channel, rows);
    if (view === null) showAll();
    else show(view.from, view.to);
  }

  function choose(place) {
    trip = data.trips[place];
    view = null;
    lists.forEach((list, i) => { list.hidden = i !== place; });
    draw();
  }

  document.getElementById('in').addEventListener('click', () => zoom(0.5));
  document.getElementById('out').addEventListener('click', () => zoom(2));
  document.getElementById('earlier').addEventListener('click', () => move(-0.5));
  document.getElementById('later').addEventListener('click', () => move(0.5));
  document.getElementById('all').addEventListener('click', showAll);
  picker.addEventListener('change', () => choose(Number(picker.value)));
  host.addEventListener('keydown', (event) => {
    const act = {
      ArrowLeft: () => move(-0.2), ArrowRight: () => move(0.2), '+': () => zoom(0.5), '=': () => zoom(0.5),
      '-': () => zoom(2), 0: showAll, Home: showAll,
    }[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  });
  lists.forEach((list, place) => {
    for (const button of list.querySelectorAll('[data-finding]')) {
      button.addEventListener('click', () => {
        const finding = data.trips[place].findings[Number(button.dataset.finding)];
        const to = finding.to === null ? all().to : finding.to;
        const around = Math.max((to - finding.from) * 0.5, 60);
        show(finding.from - around, to + around);
        host.scrollIntoView();
        host.focus({ preventScroll: true });
      });
    }
  });
  let asked = 0;
  const again = () => {
    cancelAnimationFrame(asked);
    asked = requestAnimationFrame(() => { if (trip) draw(); });
  };
  let wide = 0;
  new ResizeObserver(() => {
    if (host.clientWidth === wide) return;
    wide = host.clientWidth;
    again();
  }).observe(host);
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', again);
  if (data.trips.length > 0) choose(0);
})();
