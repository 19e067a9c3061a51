"""The style sheet of the page: system fonts, light and dark, narrow and wide, and paper."""

STYLE = """
:root{color-scheme:light dark;--paper:#fff;--ink:#1b1f23;--soft:#57606a;--line:#8b949e;--fill:#eef1f4;
--band:#e3ebf2;--water:#0b57a4;--bad:#a40e26;--badfill:#fbe3e4;--heat:#8a4b00;--lamp:#6b6f00}
@media (prefers-color-scheme:dark){:root{--paper:#14181c;--ink:#e6e9ec;--soft:#a9b2bb;--line:#76808a;
--fill:#20262c;--band:#25323e;--water:#7cc0ff;--bad:#ff9aa2;--badfill:#42242a;--heat:#ffb566;--lamp:#d9dc6a}}
*{box-sizing:border-box}
body{margin:0 auto;padding:1rem;max-width:52rem;background:var(--paper);color:var(--ink);
font:1rem/1.5 system-ui,sans-serif}
h1{font-size:1.5rem;line-height:1.25;margin:.2em 0}h2{font-size:1.2rem;margin:2em 0 .3em;
border-bottom:1px solid var(--line)}h3{font-size:1rem;margin:1.4em 0 .3em}
h4{font-size:.95rem;margin:1em 0 .2em}
p{margin:.4em 0}.soft{color:var(--soft)}
.state{border-left:.4rem solid var(--line);background:var(--fill);padding:.5rem .8rem;margin:1rem 0}
.state.bad{border-color:var(--bad);background:var(--badfill)}
.flag{font-weight:600}.bad .flag,td .flag{color:var(--bad)}
dl{display:grid;grid-template-columns:max-content 1fr;gap:.1rem 1rem;margin:.5em 0}
dt{color:var(--soft)}dd{margin:0}
@media (max-width:32rem){dl{grid-template-columns:1fr}dd{margin:0 0 .4em 1rem}}
.scroll{overflow-x:auto}th[scope=row]{font-weight:600}
table{border-collapse:collapse;width:100%;font-size:.9rem}
th,td{text-align:left;padding:.25rem .6rem .25rem 0;border-bottom:1px solid var(--line);vertical-align:top}
td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}
caption{text-align:left;color:var(--soft);padding:.2rem 0}
ul{margin:.2em 0;padding-left:1.2rem}
a{color:var(--water)}
figure{margin:.6em 0}figcaption{color:var(--soft);font-size:.85rem}
.chart{display:block;width:100%;height:auto}
.narrow{display:none}
@media (max-width:40rem){.narrow{display:block}.wide{display:none}}
.chart text{fill:var(--ink);font:11px system-ui,sans-serif}
.chart .end{text-anchor:end}.chart .middle{text-anchor:middle}
.band{fill:var(--band)}.limit{stroke:var(--line);stroke-width:1}
.set{stroke:var(--line);stroke-dasharray:4 4}.grid{stroke:var(--line);stroke-width:.5;stroke-opacity:.6}
.water{fill:none;stroke:var(--water);stroke-width:1.6;stroke-linejoin:round}
.incident{fill:var(--bad);fill-opacity:.13}.onset{stroke:var(--bad);stroke-width:1.5}
.hatch{stroke:var(--line);stroke-width:1.5}.strip{fill:var(--fill)}
.day{fill:var(--water)}.fresh{fill:none;stroke:var(--heat);stroke-width:1.6}
.fit{stroke:var(--ink);stroke-width:1.5}.heater{fill:var(--heat)}.light{fill:var(--lamp)}
footer{margin-top:2em;border-top:1px solid var(--line);padding-top:.6em;font-size:.9rem}
@media print{:root{color-scheme:light;--paper:#fff;--ink:#000;--soft:#444;--line:#777;--fill:#f1f1f1;
--band:#e4e9ee;--water:#0b3f7a;--bad:#8c0f20;--badfill:#f6e4e5;--heat:#6b3a00;--lamp:#585b00}
body{max-width:none;padding:0;font-size:10pt}a{color:inherit;text-decoration:none}
.narrow{display:none}.wide{display:block}figure,dl,tr,li,.lead{break-inside:avoid}h2,h3,h4{break-after:avoid}
.scroll{overflow:visible}details{display:none}
*{print-color-adjust:exact;-webkit-print-color-adjust:exact}}
@page{margin:15mm}
"""
