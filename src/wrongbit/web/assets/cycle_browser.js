// All cycles of a capture: a strip over the whole of it, and rows of which only those in sight are ever there.
//
// A browser cannot make an element tall enough for a million rows. The pane is therefore at most TALLEST high:
// small movements go row by row, long ones go to the same share of the capture. Rows come from the server in
// blocks; what was seen lately is kept.
const ROW = 28;
const TALLEST = 8_000_000;
const BLOCK = 200;
const KEPT = 60;
const STRIP_LEFT = 12;

const MARKS = { differs: ["≠", "differs"], agrees: ["=", "agrees"], "not known": ["·", "not known"], "": ["", ""] };

export default {
  template: `
    <div class="cy">
      <div class="cy-strip">
        <div class="cy-whole" ref="whole" tabindex="0" role="slider" aria-label="The whole capture: go to a cycle"
             aria-valuemin="0" @click="pointed" @keydown="keyOnWhole">
          <div ref="strip" aria-hidden="true"></div>
          <div class="cy-here" ref="here" aria-hidden="true"></div>
        </div>
      </div>
      <div class="cy-wide">
        <div class="cy-table" ref="table">
          <div class="cy-heads cy-line" ref="heads" aria-hidden="true"></div>
          <div class="cy-pane" ref="pane" tabindex="0" role="grid" aria-label="Bus cycles" aria-readonly="true"
               @scroll.passive="scrolled" @keydown="keyInPane" @click="picked">
            <div class="cy-rows" ref="rows"></div>
            <div class="cy-tall" ref="tall"></div>
          </div>
        </div>
      </div>
    </div>`,
  props: { setup: Object },
  emits: ["ask", "chosen", "stride", "zoom"],

  mounted() {
    // Plain fields: nothing here is to be watched by the page library.
    this.state = { total: 0, cycles: 0, turn: 0, top: 0, cursor: 0, cycle: 0 };
    this.blocks = new Map();
    this.asked = new Map();
    this.strips = new Map();
    this.pool = [];
    this.last = 0;
    this.sizes = new ResizeObserver(() => this.fit());
    this.sizes.observe(this.$refs.pane);
    this.load(this.setup);
    if (this.setup.focus) this.$refs.pane.focus({ preventScroll: true });
  },
  unmounted() {
    this.sizes.disconnect();
    clearTimeout(this.settling);
    clearTimeout(this.telling);
  },

  methods: {
    // -- from the server ------------------------------------------------------------------------------------

    // A listing: { turn, total, cycles, cursor, cycle, columns, template, bits, gaps, strip, stripWidth }
    load(setup) {
      this.look = setup;
      Object.assign(this.state, {
        turn: setup.turn, total: setup.total, cycles: setup.cycles, cursor: setup.cursor, cycle: setup.cycle,
      });
      this.blocks.clear();
      this.asked.clear();
      this.strips.clear();
      if (setup.strip !== undefined) this.$refs.strip.innerHTML = setup.strip;
      this.$refs.table.style.setProperty("--cy-columns", setup.template);
      this.$refs.heads.replaceChildren(...setup.columns.map((name) => {
        const head = cell("span", name);
        head.className = name === "cycle" || name === "time" ? "cy-right" : "";
        return head;
      }));
      this.$refs.pane.setAttribute("aria-rowcount", String(setup.total));
      this.$refs.whole.setAttribute("aria-valuemax", String(Math.max(setup.cycles - 1, 0)));
      this.pool = [];
      this.$refs.rows.replaceChildren();
      this.fit();
      this.show(setup.cursor, true);
    },

    // Rows of a block: lists as `columns` name them, with cycle, verdict and bits behind.
    put(turn, block, rows) {
      if (turn !== this.state.turn) return;
      this.asked.delete(block);
      this.blocks.set(block, rows);
      for (const old of this.blocks.keys()) {
        if (this.blocks.size <= KEPT) break;
        this.blocks.delete(old);
      }
      this.draw();
    },

    // Choose a place that the server has found.
    go(place, cycle) {
      this.state.cycle = cycle;
      this.choose(place, true);
    },

    // -- geometry -------------------------------------------------------------------------------------------

    fit() {
      const pane = this.$refs.pane;
      if (!pane) return;
      this.high = pane.clientHeight;
      this.whole = this.state.total * ROW;
      this.tall = Math.min(this.whole, TALLEST);
      this.$refs.tall.style.height = `${this.tall}px`;
      const wanted = Math.min(Math.ceil(this.high / ROW) + 1, 200);
      while (this.pool.length < wanted) this.pool.push(this.line());
      this.draw();
    },
    most() {
      return Math.max(this.state.total - Math.floor(this.high / ROW), 0);
    },
    // Where the pane stands when this row is at its top.
    stand(top) {
      if (this.tall === this.whole) return top * ROW;
      const most = this.most();
      return most ? (top / most) * Math.max(this.tall - this.high, 0) : 0;
    },
    scrolled() {
      const now = this.$refs.pane.scrollTop;
      const moved = now - this.last;
      this.last = now;
      if (!moved) return;
      const s = this.state;
      if (this.tall === this.whole) s.top = now / ROW;
      else if (Math.abs(moved) <= 3 * this.high) s.top += moved / ROW;
      else s.top = (now / Math.max(this.tall - this.high, 1)) * this.most();
      s.top = Math.min(Math.max(s.top, 0), this.most());
      this.draw();
      if (this.tall !== this.whole) {
        clearTimeout(this.settling);
        this.settling = setTimeout(() => this.settle(), 160);
      }
    },
    // Put the bar where the rows are, so that neither end is ever out of reach.
    settle() {
      const pane = this.$refs.pane;
      if (!pane) return;
      pane.scrollTop = this.stand(this.state.top);
      this.last = pane.scrollTop;
    },
    // Bring a row into sight; in the middle when it is far away.
    show(place, middle) {
      const s = this.state;
      const seen = Math.max(Math.floor(this.high / ROW), 1);
      if (place < s.top || place > s.top + seen - 1) {
        const near = !middle && Math.abs(place - s.top) < 2 * seen;
        if (near) s.top = place < s.top ? place : place - seen + 1;
        else s.top = place - Math.floor(seen / 2);
        s.top = Math.min(Math.max(s.top, 0), this.most());
      }
      this.settle();
      this.draw();
    },

    // -- rows -----------------------------------------------------------------------------------------------

    line() {
      const line = cell("div", "");
      line.className = "cy-line";
      line.setAttribute("role", "row");
      for (let number = 0; number < this.look.columns.length; number += 1) {
        const part = cell("span", "");
        part.setAttribute("role", "gridcell");
        line.append(part);
      }
      this.$refs.rows.append(line);
      return line;
    },
    draw() {
      const s = this.state;
      const first = Math.floor(s.top);
      const offset = (s.top - first) * ROW;
      const missing = new Set();
      this.pool.forEach((line, number) => {
        const place = first + number;
        if (place >= s.total) {
          line.hidden = true;
          return;
        }
        line.hidden = false;
        line.style.transform = `translateY(${number * ROW - offset}px)`;
        const block = Math.floor(place / BLOCK);
        const rows = this.blocks.get(block);
        if (!rows) missing.add(block);
        this.fill(line, place, rows ? rows[place - block * BLOCK] : null);
      });
      this.$refs.pane.setAttribute("aria-activedescendant", `cy-${s.cursor}`);
      const share = s.cycles ? (s.cycle + 0.5) / s.cycles : 0;
      const wide = this.look.stripWidth;
      this.$refs.here.style.left = `${((STRIP_LEFT + (wide - 2 * STRIP_LEFT) * share) / wide) * 100}%`;
      this.$refs.whole.setAttribute("aria-valuenow", String(s.cycle));
      this.ask(missing);
    },
    fill(line, place, row) {
      const chosen = place === this.state.cursor;
      if (line.place !== place) {
        line.id = `cy-${place}`;
        line.setAttribute("aria-rowindex", String(place + 1));
        line.place = place;
      }
      if (line.row !== row) {
        line.row = row;
        const verdict = row ? row.verdict : "";
        line.className = `cy-line cy-${verdict.replace(" ", "-") || "none"}`;
        this.look.columns.forEach((name, number) => {
          const part = line.children[number];
          part.className = name === "cycle" || name === "time" ? "cy-right" : "";
          if (!row) part.textContent = number === 1 ? "…" : "";
          else if (name === "bits") part.innerHTML = this.strip(row.bits);
          else if (name === "") {
            part.textContent = MARKS[verdict][0];
            part.setAttribute("aria-label", MARKS[verdict][1] || "not judged");
          } else if (name === "instruction") instruction(part, row);
          else part.textContent = row.cells[number];
        });
      }
      if (line.chosen !== chosen) {
        line.chosen = chosen;
        line.toggleAttribute("data-chosen", chosen);
        line.setAttribute("aria-selected", String(chosen));
      } else line.toggleAttribute("data-chosen", chosen);
    },
    ask(missing) {
      if (!missing.size) return;
      clearTimeout(this.asking);
      this.asking = setTimeout(() => {
        const s = this.state;
        const now = performance.now();
        const from = Math.floor(s.top / BLOCK);
        const to = Math.floor((s.top + this.pool.length) / BLOCK);
        const last = Math.floor(Math.max(s.total - 1, 0) / BLOCK);
        const wanted = [];
        for (let block = from; block <= to; block += 1) wanted.push(block);
        wanted.push(to + 1, from - 1);
        for (const block of wanted) {
          const lately = now - (this.asked.get(block) ?? -1e9) < 4000;
          if (block < 0 || block > last || this.blocks.has(block) || lately) continue;
          this.asked.set(block, now);
          this.$emit("ask", { turn: s.turn, block });
        }
        this.askedAt = now;
      }, performance.now() - (this.askedAt ?? 0) > 60 ? 0 : 30);
    },

    // A word as two lines of cells: what should be above, what was seen below.
    strip(bits) {
      let drawn = this.strips.get(bits);
      if (drawn === undefined) {
        drawn = strip(bits, this.look.gaps);
        if (this.strips.size > 4000) this.strips.clear();
        this.strips.set(bits, drawn);
      }
      return drawn;
    },

    // -- choosing -------------------------------------------------------------------------------------------

    choose(place, middle) {
      const s = this.state;
      if (!s.total) return;
      s.cursor = Math.min(Math.max(place, 0), s.total - 1);
      const block = Math.floor(s.cursor / BLOCK);
      const row = this.blocks.get(block)?.[s.cursor - block * BLOCK];
      if (row) s.cycle = row.cycle;
      this.show(s.cursor, middle);
      clearTimeout(this.telling);
      this.telling = setTimeout(() => this.$emit("chosen", { turn: s.turn, place: s.cursor }), 90);
    },
    picked(event) {
      const line = event.target.closest(".cy-line");
      if (line && line.place !== undefined) this.choose(line.place);
    },
    pointed(event) {
      const box = this.$refs.whole.getBoundingClientRect();
      const wide = this.look.stripWidth;
      const x = ((event.clientX - box.left) / box.width) * wide;
      const share = Math.min(Math.max((x - STRIP_LEFT) / (wide - 2 * STRIP_LEFT), 0), 0.9999999);
      this.$emit("stride", { to: Math.floor(share * this.state.cycles) });
    },
    keyOnWhole(event) {
      const s = this.state;
      const far = Math.max(Math.floor(s.cycles / 100), 1);
      const to = {
        ArrowLeft: s.cycle - far, ArrowDown: s.cycle - far, ArrowRight: s.cycle + far, ArrowUp: s.cycle + far,
        PageDown: s.cycle - 10 * far, PageUp: s.cycle + 10 * far, Home: 0, End: s.cycles - 1,
      }[event.key];
      if (to !== undefined && !modified(event)) {
        this.$emit("stride", { to: Math.min(Math.max(to, 0), Math.max(s.cycles - 1, 0)) });
        done(event);
      } else this.keyForBoth(event);
    },
    keyInPane(event) {
      if (modified(event)) return;
      const s = this.state;
      const page = Math.max(Math.floor(this.high / ROW) - 1, 1);
      const to = {
        ArrowDown: s.cursor + 1, j: s.cursor + 1, ArrowUp: s.cursor - 1, k: s.cursor - 1,
        PageDown: s.cursor + page, PageUp: s.cursor - page, Home: 0, End: s.total - 1,
      }[event.key];
      if (to !== undefined) {
        this.choose(to);
        done(event);
      } else this.keyForBoth(event);
    },
    keyForBoth(event) {
      if (modified(event)) return;
      const wish = { n: "next wrong", p: "previous wrong", f: "first wrong", N: "next found", P: "previous found" };
      const zoom = { "+": "in", "=": "in", "-": "out", "[": "left", "]": "right" };
      if (wish[event.key]) this.$emit("stride", { wish: wish[event.key] });
      else if (zoom[event.key]) this.$emit("zoom", zoom[event.key]);
      else if (event.key === "g") document.querySelector("[data-go] input")?.focus();
      else return;
      done(event);
    },
  },
};

function modified(event) {
  return event.ctrlKey || event.metaKey || event.altKey;
}

function done(event) {
  event.preventDefault();
  event.stopPropagation();
}

function cell(name, text) {
  const element = document.createElement(name);
  element.textContent = text;
  return element;
}

function instruction(part, row) {
  part.replaceChildren(document.createTextNode(row.instruction));
  if (row.instead) {
    const instead = cell("span", `should be ${row.instead}`);
    instead.className = "cy-instead";
    part.append(instead);
  }
}

// 0 1: as it should be; a b: wrong (1 for 0, 0 for 1); y z: seen, nothing says what should be; ?: not seen.
function strip(bits, gaps) {
  const wide = bits.length > 24 ? 6 : 8;
  const tall = 8;
  const parts = { outline: "", full: "", wrong: "", wrongFull: "", open: "" };
  let x = 0.5;
  [...bits].forEach((sign, number) => {
    const bit = bits.length - 1 - number;
    const expected = { 0: 0, 1: 1, a: 0, b: 1 }[sign];
    const seen = { 0: 0, 1: 1, a: 1, b: 0, y: 0, z: 1 }[sign];
    const wrong = sign === "a" || sign === "b";
    const box = (y) => `M${x} ${y}h${wide - 1}v${tall}h${1 - wide}z`;
    if (expected === undefined) parts.open += `M${x + wide / 2 - 2} ${tall / 2 + 0.5}h3`;
    else parts[expected ? "full" : "outline"] += box(0.5);
    const y = tall + 3.5;
    if (seen === undefined) parts.open += `M${x} ${y + tall}l${wide - 1} ${-tall}M${x} ${y}h${wide - 1}v${tall}h${1 - wide}z`;
    else if (wrong) {
      const notch = (wide - 1) / 2;
      parts[seen ? "wrongFull" : "wrong"] +=
        `M${x} ${y - 1}l${notch} ${notch + 0.5}l${notch} ${-notch - 0.5}v${tall + 1}h${1 - wide}z`;
    } else parts[seen ? "full" : "outline"] += box(y);
    x += wide + (gaps.includes(bit - 1) ? 5 : 0);
  });
  const path = (kind) => (parts[kind] ? `<path class="cy-${kind}" d="${parts[kind]}"/>` : "");
  const drawn = Object.keys(parts).map(path).join("");
  return `<svg width="${x}" height="${2 * tall + 5}" viewBox="0 0 ${x} ${2 * tall + 5}" aria-hidden="true">${drawn}</svg>`;
}
