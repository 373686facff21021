"""The script in the board: takes over the newest board without a flash, tells when nothing new comes, counts ages.

It can't fetch the file again (browsers refuse that for pages opened from a share), and it must not load the page
anew: a share that is away for a moment would leave an error page without a script, for good. So it loads the same
file into a hidden frame; the copy there hands over its content, and the page that is on the screen never goes away.

A page shows time since it last changed by its own steady clock, so that a clock of the screen's computer that is wrong
does not make a living service look dead for longer than one refresh.
"""

from __future__ import annotations

import base64
import hashlib

SCRIPT = """
"use strict";
(function () {
  var body = document.getElementById("board");
  if (window.parent !== window) {
    window.parent.postMessage({board: body.innerHTML, title: document.title}, "*");
    return;
  }
  var every = Number(document.documentElement.dataset.refresh) * 1000;
  var last = body.innerHTML, lastTitle = document.title;
  var stamp = Date.parse(body.querySelector("[data-made]").dataset.made);
  var changedAt = performance.now() - Math.max(0, Date.now() - stamp);
  var paused = false, frame = null, said = "";
  var readers = document.getElementById("said"), button = document.getElementById("pause");

  function age(seconds) {
    var s = Math.max(0, Math.floor(seconds));
    if (s < 60) { return s + " s"; }
    if (s < 3600) { return Math.floor(s / 60) + " min"; }
    if (s < 172800) { return Math.floor(s / 3600) + " h " + Math.floor(s % 3600 / 60) + " min"; }
    return Math.floor(s / 86400) + " days";
  }
  function two(n) { return (n < 10 ? "0" : "") + n; }
  function local(iso) {
    var t = new Date(iso), now = new Date();
    if (isNaN(t)) { return iso; }
    var day = t.toDateString() === now.toDateString() ? "" :
      t.getFullYear() + "-" + two(t.getMonth() + 1) + "-" + two(t.getDate()) + " ";
    return day + two(t.getHours()) + ":" + two(t.getMinutes());
  }
  function put(node, text) { if (node.textContent !== text) { node.textContent = text; } }

  function tick() {
    var passed = (performance.now() - changedAt) / 1000, silent = [];
    body.querySelectorAll("time[datetime]").forEach(function (t) { put(t, local(t.getAttribute("datetime"))); });
    body.querySelectorAll("[data-age]").forEach(function (n) { put(n, age(Number(n.dataset.age) + passed)); });
    body.querySelectorAll("[data-limit]").forEach(function (row) {
      var quiet = Number(row.dataset.quiet) + passed;
      if (row.dataset.state !== "stopped" && quiet > Number(row.dataset.limit)) {
        silent.push("Service silent since " + local(row.dataset.beat) + " (" + age(quiet) + "): " + row.dataset.name);
        put(row.querySelector(".state"), "silent");
        put(row.querySelector(".sign"), "\u2715");
      }
    });
    var alarm = body.querySelector("#silent");
    alarm.hidden = silent.length === 0;
    put(alarm.querySelector("p"), silent.join("; "));
    tell();
  }
  function tell() {
    var first = body.querySelector(".newest"), alarm = body.querySelector("#silent p").textContent;
    var text = (alarm ? alarm.replace(/ [(][^)]*[)]/g, "") + ". " : "") +
      (first ? "Newest: " + first.getAttribute("data-said") : "");
    if (text !== said) { said = text; put(readers, text); }
  }
  function take(html, title) {
    if (html === last) { return; }
    var focused = document.activeElement, key = focused && focused.id;
    if (focused && body.contains(focused) && !key) { return; }
    last = html; lastTitle = title;
    changedAt = performance.now();
    body.innerHTML = html;
    document.title = title;
    if (key && document.getElementById(key)) { document.getElementById(key).focus({preventScroll: true}); }
    tick();
  }
  function load() {
    if (frame) { frame.remove(); frame = null; }
    var selection = window.getSelection();
    if (paused || (selection && !selection.isCollapsed)) { return; }
    frame = document.createElement("iframe");
    frame.hidden = true;
    frame.tabIndex = -1;
    frame.setAttribute("aria-hidden", "true");
    frame.src = location.href.split("#")[0].split("?")[0] + "?" + Date.now();
    document.documentElement.appendChild(frame);
  }
  window.addEventListener("message", function (event) {
    if (!frame || event.source !== frame.contentWindow) { return; }
    if (!event.data || typeof event.data.board !== "string") { return; }
    frame.remove();
    frame = null;
    take(event.data.board, String(event.data.title));
  });
  button.hidden = false;
  button.addEventListener("click", function () {
    paused = !paused;
    button.setAttribute("aria-pressed", String(paused));
    put(button, paused ? "Go on refreshing" : "Pause refreshing");
  });
  tick();
  setInterval(tick, 1000);
  setInterval(load, every);
}());
"""


def script_hash() -> str:
    """The hash by which the page's policy lets this script run, and no other."""
    return "sha256-" + base64.b64encode(hashlib.sha256(SCRIPT.encode()).digest()).decode()
