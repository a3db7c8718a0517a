"use strict";

// Lays out what the watch tells. Every text of it goes through textContent, so a name is never markup.
(() => {
  const PULSE_LATE_MS = 12000; // more than two signs of life missed: the connection is dead, whatever it says of itself
  const WATCH_SILENT_S = 30; // a watch shows that it lives every 10 s
  const AGAIN_MS = 3000;
  const TICK_MS = 1000;
  const CAUTION_MS = 3600000; // an hour

  const at = (id) => document.getElementById(id);
  const key = (/^\/song\/([0-9a-f]+)$/.exec(location.pathname) || [])[1];
  const stream = key ? `/events/${key}` : "/events";

  let source = null;
  let again = null;
  let state = null;
  let pulse = null;
  let pulseAt = 0;
  let heardAt = Date.now();
  let lostAt = null;
  let lostWhy = "";
  const opened = new Set();
  const drawn = new Map();

  function make(tag, className, text) {
    const made = document.createElement(tag);
    if (className) made.className = className;
    if (text !== undefined && text !== null) made.textContent = text;
    return made;
  }

  // ------------------------------------------------------------------ the connection

  function connect() {
    disconnect();
    heardAt = Date.now();
    source = new EventSource(stream);
    source.addEventListener("state", (event) => {
      heard();
      state = JSON.parse(event.data);
      draw();
    });
    source.addEventListener("pulse", (event) => {
      heard();
      pulse = JSON.parse(event.data);
      pulseAt = Date.now();
      tick();
    });
    source.addEventListener("gone", () => lose("There is no such song here any more."));
    source.onerror = () => {
      const isOver = source.readyState === EventSource.CLOSED;
      lose("");
      if (isOver) later();
    };
  }

  function disconnect() {
    clearTimeout(again);
    if (source) source.close();
    source = null;
  }

  function heard() {
    heardAt = Date.now();
    lostAt = null;
    lostWhy = "";
  }

  function lose(why) {
    if (lostAt === null) lostAt = Date.now();
    lostWhy = why || lostWhy;
    tick();
  }

  function later() {
    clearTimeout(again);
    again = setTimeout(ask, AGAIN_MS);
  }

  // An event stream does not tell why it was refused; a plain request does.
  async function ask() {
    if (document.hidden) return;
    try {
      const answer = await fetch("/alive", { cache: "no-store" });
      if (answer.status === 403) {
        lose("This page needs its new address: open the one that stager printed, or scan its code.");
        later();
      } else {
        connect();
      }
    } catch {
      lose("");
      later();
    }
  }

  // Nobody looks at a hidden page, and a sleeping tablet keeps dead connections: both begin anew when seen again.
  function looked() {
    if (document.hidden) disconnect();
    else connect();
  }

  // ------------------------------------------------------------------ the watch

  function ago(seconds) {
    const s = Math.max(0, Math.round(seconds));
    if (s < 90) return `${s} s ago`;
    if (s < 5400) return `${Math.round(s / 60)} min ago`;
    if (s < 129600) return `${Math.round(s / 3600)} h ago`;
    return `${Math.round(s / 86400)} days ago`;
  }

  function tick() {
    if (document.hidden) return;
    const now = Date.now();
    if (source && lostAt === null && now - heardAt > PULSE_LATE_MS) {
      lose("");
      connect();
    }
    const age = pulse && pulse.seen_s !== null ? pulse.seen_s + (now - pulseAt) / 1000 : null;
    at("doing").textContent = doing();
    at("seen").textContent = age === null ? "" : `last seen ${ago(age)}`;
    warn(warning(age));
    caution(now);
    for (const time of document.querySelectorAll("time")) {
      time.textContent = clockTime(time.dateTime, now);
    }
  }

  function doing() {
    if (lostAt !== null) return "no connection";
    if (!pulse) return "connecting";
    if (pulse.recording) return `recording \u2026 ${pulse.recording}`;
    if (pulse.state === "watching") return "watching";
    if (pulse.state === "busy") return pulse.queue > 1 ? `at work, ${pulse.queue} waiting` : "at work";
    return pulse.state === "paused" ? "paused" : "not watching";
  }

  function warning(age) {
    if (lostAt !== null) return lostWhy || "No connection to the watch. What stands here may be old.";
    if (!pulse) return "";
    if (pulse.state === "paused") return `The watch pauses. ${pulse.says}`.trim();
    if (pulse.state === "not_watched") return "Nobody watches this song now. New takes will not appear.";
    if (age !== null && age > WATCH_SILENT_S) return "The watch gives no sign of life. New takes may not appear.";
    return state && state.trouble ? state.trouble : "";
  }

  // The caution about louder copies is for copies just made: who has played them has turned the monitors down.
  function caution(now) {
    const isNew = state && state.caution && now - new Date(state.caution_from).getTime() < CAUTION_MS;
    at("caution").hidden = !isNew;
    at("caution").textContent = isNew ? state.caution : "";
  }

  function warn(text) {
    const place = at("warning");
    if (place.textContent !== text) place.textContent = text;
    place.hidden = !text;
    document.body.classList.toggle("stale", Boolean(text));
  }

  // ------------------------------------------------------------------ what is shown

  function clockTime(iso, now) {
    const then = new Date(iso);
    if (Number.isNaN(then.getTime())) return "";
    const hour = then.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
    const past = (now - then.getTime()) / 1000;
    if (past < 3600) return `${hour}, ${ago(past)}`;
    return past < 64800 ? hour : `${then.toLocaleDateString()}, ${hour}`;
  }

  function timeOf(entry) {
    const time = make("time");
    time.dateTime = entry.at;
    time.textContent = clockTime(entry.at, Date.now());
    return time;
  }

  function named(entry, tag) {
    const name = make(tag, "named");
    name.append(make("bdi", "", entry.name));
    if (entry.at) name.append(" ", timeOf(entry));
    return name;
  }

  function fact(figure, label, className) {
    const made = make("p", `fact ${className}`);
    made.append(make("span", "figure", figure), " ", make("span", "label", label));
    return made;
  }

  function sentences(entry) {
    const list = make("ul", "says");
    for (const text of entry.says) list.append(make("li", "", text));
    return list;
  }

  // What stands there already is left alone: a live region that is filled anew is read aloud anew.
  function isDrawn(place, entries) {
    const wanted = JSON.stringify(entries);
    const isThere = drawn.get(place) === wanted;
    drawn.set(place, wanted);
    return isThere;
  }

  function drawNewest(entry, kind) {
    const place = at("newest");
    if (entry) document.title = `${entry.word}: ${entry.name}`;
    if (isDrawn(place, [entry, kind])) return;
    place.hidden = !entry;
    place.replaceChildren();
    if (!entry) return;
    place.className = entry.mark;
    const word = make("p", "word", entry.word);
    const facts = make("div", "facts");
    if (entry.figure) facts.append(fact(entry.figure, entry.label, "change"));
    if (entry.place) facts.append(fact(entry.place, "listen here", "place"));
    place.append(named(entry, "p"), word, facts, sentences(entry));
    place.setAttribute("aria-label", `The newest ${kind}`);
  }

  function row(entry) {
    const item = make("li", entry.mark);
    const details = make("details");
    const id = `${entry.name}|${entry.at}`;
    details.open = opened.has(id);
    details.addEventListener("toggle", () => (details.open ? opened.add(id) : opened.delete(id)));
    const summary = make("summary");
    summary.append(make("span", "mark", entry.word), " ", make("bdi", "name", entry.name), " ");
    summary.append(make("span", "figure", entry.figure || ""), " ", make("span", "at", entry.place || ""));
    const more = make("div", "more");
    if (entry.label || entry.at) {
      const line = make("p", "label", [entry.figure, entry.label].filter(Boolean).join(", "));
      if (entry.at) line.append(line.textContent ? "; " : "", timeOf(entry));
      more.append(line);
    }
    more.append(sentences(entry));
    details.append(summary, more);
    item.append(details);
    return item;
  }

  function songRow(song) {
    const item = make("li", song.newest ? song.newest.mark : "");
    const link = make("a", "song");
    link.href = `/song/${encodeURIComponent(song.key)}`;
    link.append(make("bdi", "name", song.name), " ");
    if (song.newest) {
      link.append(make("span", "mark", song.newest.word), " ", make("bdi", "label", song.newest.name));
      link.append(" ", make("span", "figure", song.newest.figure || ""));
    } else {
      link.append(make("span", "label", "nothing yet"));
    }
    item.append(link);
    return item;
  }

  function fill(id, entries, draw) {
    if (isDrawn(at(id), entries)) return;
    at(id).hidden = entries.length === 0;
    const list = at(id).querySelector("ol");
    const focused = [...list.querySelectorAll("summary, a")].indexOf(document.activeElement);
    list.replaceChildren(...entries.map(draw));
    if (focused >= 0) [...list.querySelectorAll("summary, a")][focused]?.focus();
  }

  function draw() {
    const isSong = state.kind === "song";
    at("name").textContent = state.name;
    document.title = state.name;
    drawNewest(isSong ? state.newest : null, state.newest_is);
    fill("takes", isSong ? state.takes : [], row);
    fill("stems", isSong ? state.stems : [], row);
    fill("songs", isSong ? [] : state.songs, songRow);
    at("takes-title").textContent = "Takes before";
    at("stems-title").textContent = isSong && state.newest_is === "stem" ? "Stems before" : "Stems";
    at("hint").hidden = !(isSong && state.hint);
    at("hint").textContent = isSong && state.hint ? state.hint : "";
    at("empty").hidden = isSong ? Boolean(state.newest) : state.songs.length > 0;
    at("empty").textContent = isSong ? "Nothing yet. Record a take, and it appears here." : "No song is watched yet.";
    tick();
  }

  // The token has become a cookie; it need not stand where somebody looks over a shoulder.
  if (location.search) history.replaceState(null, "", location.pathname);
  document.addEventListener("visibilitychange", looked);
  addEventListener("pageshow", (event) => event.persisted && looked());
  addEventListener("online", looked);
  setInterval(tick, TICK_MS);
  looked();
})();
