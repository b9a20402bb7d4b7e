"""The living part of the page: replaced at each refresh without a flicker and without a jump of the wheel.

The page hands the angle of the wheel from one drawing to the next, so a new value changes how fast it turns, not
where it stands. When the board itself falls silent the page says so and greys what it shows: a browser would
otherwise keep the last values for ever.
"""

from __future__ import annotations

from typing import Final

import streamlit as st

import inks as c

# The page asks every REFRESH_S; after LOST_S without an answer it no longer trusts what it shows.
REFRESH_S: Final = 2.5
LOST_S: Final = 15

_STYLE: Final = f"""
.living{{color:{c.SLATE};container-type:inline-size;font-family:inherit}}
.living p{{margin:0 0 .5rem}}
.living .headline{{font-size:clamp(1.15rem,.95rem + .9vw,1.6rem);line-height:1.35;text-wrap:pretty}}
.living .caution{{border-left:4px solid {c.SLATE};padding:.15rem 0 .15rem .7rem}}
.living .lost,.living .alarms li{{border-left:4px solid {c.SIGNAL};padding:.15rem 0 .15rem .7rem}}
.living .lost,.living .priority{{color:{c.SIGNAL};font-weight:600}}
.living .priority{{text-transform:uppercase;letter-spacing:.04em}}
.living .alarms{{list-style:none;margin:0 0 .8rem;padding:0;display:grid;gap:.5rem}}
.living .small{{color:{c.QUIET};font-size:.9rem}}
.living code{{background:{c.STONE};padding:.1rem .35rem;border-radius:2px;overflow-wrap:anywhere}}
.living svg{{display:block;width:100%;height:auto}}
.living .wide{{display:none}}
.living .narrow{{max-width:30rem}}
@container (min-width: 940px){{.living .wide{{display:block}}.living .narrow{{display:none}}}}
.living.silent .now{{opacity:.45;filter:grayscale(1)}}
.living.silent svg *{{animation-play-state:paused!important}}
"""

_SCRIPT: Final = f"""
const watched = new WeakMap();

// How far round the wheel of a drawing is, as a share of a turn; null where it is not shown.
function turned(root) {{
  for (const wheel of root.querySelectorAll('.turn')) {{
    const turning = wheel.getAnimations()[0];
    if (turning && turning.currentTime !== null) {{
      const length = turning.effect.getComputedTiming().duration;
      return (turning.currentTime % length) / length;
    }}
  }}
  return null;
}}

function turnTo(root, share) {{
  for (const wheel of root.querySelectorAll('.turn')) {{
    const turning = wheel.getAnimations()[0];
    if (!turning) continue;
    const at = share * turning.effect.getComputedTiming().duration;
    for (const part of wheel.closest('svg').getAnimations({{subtree: true}})) {{
      // A start in the past needs no waiting for the next frame, so no part of a turn is lost.
      if (part.playState === 'paused') part.currentTime = at;
      else part.startTime = document.timeline.currentTime - at;
    }}
  }}
}}

export default function(component) {{
  const root = component.parentElement.querySelector('.living');
  const now = root.querySelector('.now');
  const lost = root.querySelector('.lost');
  let state = watched.get(root);
  if (!state) {{
    state = {{html: null}};
    watched.set(root, state);
    state.timer = setInterval(() => {{
      const seconds = Math.round((performance.now() - state.at) / 1000);
      if (seconds < {LOST_S}) return;
      root.classList.add('silent');
      lost.textContent = 'The board has not answered for ' + seconds +
        ' s: what stands below is old. Start it again with `wheelpit board`, then reload this page.';
      lost.hidden = false;
    }}, 1000);
  }}
  state.at = performance.now();
  root.classList.remove('silent');
  lost.hidden = true;
  if (state.html !== component.data.html) {{
    const share = turned(now);
    now.innerHTML = state.html = component.data.html;
    if (share !== null) turnTo(now, share);
  }}
  return () => {{
    // Called before the next drawing too: only an element that left the page takes its clock with it.
    setTimeout(() => {{
      if (!root.isConnected) clearInterval(state.timer);
    }}, 0);
  }};
}}
"""

_mount = st.components.v2.component(
    "wheelpit_living",
    html='<div class="living"><p class="lost" role="alert" hidden></p><div class="now"></div></div>',
    css=_STYLE,
    js=_SCRIPT,
)


def show(html: str, now_ms: int) -> None:
    """Show HTML that this program made and escaped; the time makes each answer a new one, also when nothing changed."""
    _mount(data={"html": html, "now_ms": now_ms}, key="living")
