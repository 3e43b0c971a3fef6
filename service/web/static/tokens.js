/* A placeholder in a text field behaves as one piece: the caret does not stop in it, nothing is typed into it, and what
   takes a part of it takes all of it. Buttons put one in at the caret. Without this script the page works as well: then
   the placeholders are plain text, and the server refuses one that was altered. */
"use strict";
(() => {
  const TOKEN = /\{[a-z_]+\}/g;
  const spans = (text) => Array.from(text.matchAll(TOKEN), (found) => [found.index, found.index + found[0].length]);
  const around = (text, place) => spans(text).find(([from, to]) => from < place && place < to);

  /** The range, made to hold whole every token that it touches. */
  const widened = (text, start, end) => {
    for (const [from, to] of spans(text)) {
      if (start < to && end > from) {
        start = Math.min(start, from);
        end = Math.max(end, to);
      }
    }
    return [start, end];
  };

  /** Put `text` in place of a range, so that the browser's own "undo" takes it back where it can. */
  const put = (field, start, end, text) => {
    field.focus();
    field.setSelectionRange(start, end);
    const done = text ? document.execCommand("insertText", false, text) : document.execCommand("delete");
    if (!done) {
      field.setRangeText(text, start, end, "end");
      field.dispatchEvent(new Event("input", { bubbles: true }));
    }
  };

  const guard = (field) => {
    let last = [field.selectionStart, field.selectionEnd];
    let before = null;

    /** An edge of the selection inside a token goes on to the far side of it, as seen from where it was. */
    const edge = (place, was) => {
      const token = around(field.value, place);
      if (!token) return place;
      if (was <= token[0]) return token[1];
      if (was >= token[1]) return token[0];
      return place - token[0] < token[1] - place ? token[0] : token[1];
    };
    const snap = () => {
      const { selectionStart: start, selectionEnd: end, selectionDirection: way } = field;
      const from = edge(start, last[0]);
      const to = start === end ? from : Math.max(from, edge(end, last[1]));
      if (from !== start || to !== end) field.setSelectionRange(from, to, way);
      last = [from, to];
    };
    document.addEventListener("selectionchange", () => { if (document.activeElement === field) snap(); });

    field.addEventListener("beforeinput", (event) => {
      const { value, selectionStart: start, selectionEnd: end } = field;
      before = { value, start, end, type: event.inputType };
      let range = [start, end];
      if (start === end && event.inputType === "deleteContentBackward") range = [Math.max(0, start - 1), end];
      if (start === end && event.inputType === "deleteContentForward") range = [start, Math.min(value.length, end + 1)];
      if (range[0] === range[1]) return;
      const [from, to] = widened(value, ...range);
      if (from === range[0] && to === range[1]) return;
      if (event.inputType.startsWith("delete")) {
        event.preventDefault();
        put(field, from, to, "");
      } else if (event.data !== null && !event.isComposing) {
        event.preventDefault();
        put(field, from, to, event.data);
      }
    });

    /** What a browser did all the same (a whole word deleted, a paste): mended after it happened. */
    const mend = (event) => {
      const was = before, now = field.value;
      before = null;
      if (!was || event.isComposing || was.type.startsWith("history")) return;
      let { start, end } = was;
      const shorter = was.value.length - now.length;
      if (start === end && was.type.startsWith("delete")) {
        if (now === was.value.slice(0, start - shorter) + was.value.slice(start)) start -= shorter;
        else end += shorter;
      }
      const added = now.slice(start, now.length - (was.value.length - end));
      let [from, to] = widened(was.value, start, end);
      const inside = start === end && around(was.value, start);
      if (inside) from = to = inside[1];
      if (from === start && to === end) return;
      field.setRangeText(was.value.slice(0, from) + added + was.value.slice(to), 0, now.length, "end");
      field.setSelectionRange(from + added.length, from + added.length);
      last = [from + added.length, from + added.length];
    };

    /** The text once more with its tokens as tokens: in right-to-left text a field cannot show their braces rightly. */
    const mirror = document.querySelector(`[data-shown="${field.id}"]`);
    const show = () => {
      if (!mirror) return;
      mirror.replaceChildren();
      let place = 0;
      for (const [from, to] of [...spans(field.value), [field.value.length, field.value.length]]) {
        mirror.append(field.value.slice(place, from));
        if (to > from) {
          const token = document.createElement("bdi");
          token.dir = "ltr";
          token.className = "token";
          token.textContent = field.value.slice(from, to);
          mirror.append(token);
        }
        place = to;
      }
    };
    field.addEventListener("input", (event) => { mend(event); show(); });
  };

  document.querySelectorAll("textarea[data-tokens]").forEach(guard);
  document.querySelectorAll("code[data-for]").forEach((chip) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "small chip";
    button.append(...chip.cloneNode(true).childNodes);
    button.setAttribute("aria-label", `Put in ${chip.textContent}: ${chip.dataset.meaning}`);
    button.addEventListener("click", () => {
      const field = document.getElementById(chip.dataset.for);
      put(field, field.selectionStart, field.selectionEnd, chip.textContent);
    });
    chip.replaceWith(button);
  });
})();
