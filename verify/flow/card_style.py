"""How a card looks. Black on white, nothing said by colour, sizes in print units.

PAPER and EDITION are put in by `card_page`.
"""

STYLE = """
@page { size: PAPER; margin: 11mm 12mm 13mm;
  @bottom-left { content: "Not safe? Engine off. Do not drive."; font: bold 8pt sans-serif; }
  @bottom-center { content: "EDITION"; font: 7pt sans-serif; }
  @bottom-right { content: counter(page) " of " counter(pages); font: 8pt sans-serif; } }
* { box-sizing: border-box; }
body { margin: 0; color: #000; background: #fff; font: 9pt/1.27 "IBM Plex Sans", "Segoe UI",
  "Helvetica Neue", Arial, "Liberation Sans", "DejaVu Sans", sans-serif; }
main { margin: 0 auto; padding-right: .5mm; }
@media screen { main { max-width: 198mm; padding: 10mm 6mm; } }
p, h1, h2, h3, ul { margin: 0; }
header { border-bottom: .8mm solid #000; padding-bottom: 1.5mm; margin-bottom: 3mm; }
h1 { font-size: 19pt; line-height: 1.12; }
h2 { font-size: 12.5pt; margin: 6mm 0 2mm; break-after: avoid; }
h3 { font-size: 10.4pt; line-height: 1.25; display: flex; align-items: center; gap: 2.2mm; }
small, .why, .limits { font-size: 7.8pt; line-height: 1.24; }
.kind { font-size: 9pt; letter-spacing: .04em; text-transform: uppercase; }
.why { font-style: italic; }
.say { margin-top: .8mm; }
.fields { display: flex; gap: 4mm; margin-top: .6mm; align-items: flex-end; break-inside: avoid; }
.line { flex: 1 1 0; border-bottom: .25mm solid #000; min-height: 7mm; display: flex;
  align-items: flex-end; font-size: 8pt; line-height: 1.15; padding-bottom: .5mm; }
.line > span { max-width: 62%; }
.line.plain { border: 0; gap: 1.6mm; align-items: center; }
.s2 { flex-grow: 2; }
.text { border-bottom: .25mm solid #000; height: 7.6mm; }
.box { display: inline-block; flex: none; width: 3.7mm; height: 3.7mm; border: .35mm solid #000;
  border-radius: .5mm; background: #fff; }
.stop { display: flex; gap: 4mm; align-items: center; border: 1.1mm solid #000; padding: 1.8mm 3mm;
  margin: 4mm 0 3mm; break-inside: avoid; }
.stop strong { font-size: 19pt; letter-spacing: .08em; }
.how { padding-left: 4.5mm; columns: 2; column-gap: 7mm; font-size: 8.6pt; }
.how li { break-inside: avoid; margin-bottom: .8mm; }
table { border-collapse: collapse; width: 100%; }
.specs { break-inside: avoid; }
.specs th, .specs td { border: .2mm solid #000; padding: 1mm 1.6mm; text-align: left;
  vertical-align: bottom; font-size: 8.6pt; }
.specs thead th { border-width: 0 0 .4mm; font-size: 8pt; font-weight: normal; }
.specs tbody th { width: 40%; border-bottom: 0; }
.specs small { font-weight: normal; }
.specs .write { height: 8.6mm; text-align: right; }
.specs thead th:nth-child(2) { width: 22%; }
.specs .say td { border-top: 0; font-size: 8pt; font-style: italic; margin: 0; }
.specs .say td { padding-top: 0; }
.step { border: .25mm solid #000; border-radius: 1mm; padding: 1.5mm 2.4mm 1.4mm; margin-top: 1.8mm;
  break-inside: avoid; }
.no { flex: none; min-width: 7mm; height: 5.4mm; border-radius: 1mm; border: .4mm solid #000;
  display: inline-flex; align-items: center; justify-content: center; font-weight: bold;
  padding: 0 1mm; }
.need { margin-left: auto; font-size: 7.6pt; font-weight: normal; text-align: right;
  border-left: .25mm solid #000; padding-left: 2mm; flex: none; max-width: 50mm; }
.gate { border-style: dashed; }
.cautions { display: grid; grid-template-columns: 1fr 1fr; column-gap: 5mm; }
.caution:only-child { grid-column: 1 / 3; }
.caution { display: flex; gap: 2mm; align-items: flex-start; margin-top: 1.1mm; font-size: 8.2pt;
  line-height: 1.22; }
.sign { flex: none; width: 4.4mm; height: 4.4mm; border: .45mm solid #000; border-radius: 50%;
  display: inline-flex; align-items: center; justify-content: center; font-weight: bold;
  font-size: 9pt; line-height: 1; }
.items { margin-top: .4mm; }
.items td, .items th { border-bottom: .15mm solid #000; padding: .7mm 1mm; text-align: left; }
.items th { font-size: 8pt; font-weight: normal; padding: 0 1mm; }
.items th:not(:first-child), .items td:not(:first-child) { width: 14mm; text-align: center; }
.items .box { vertical-align: -.6mm; }
.checks { padding-left: 4mm; font-size: 7.8pt; line-height: 1.24; columns: 2; column-gap: 6mm; }
.limits { margin-top: 1.2mm; }
.group { display: grid; grid-template-columns: 1fr 74mm; gap: 4mm; align-items: center;
  border-top: .15mm dotted #000; margin-top: .9mm; padding-top: .7mm; }
.tick, .ways p { display: flex; gap: 2mm; align-items: flex-start; padding: .4mm 0; }
.tick .box, .ways .box { margin-top: .35mm; }
.blank { flex: 1; border-bottom: .25mm solid #000; height: 5mm; min-width: 18mm; }
.many { columns: 2; column-gap: 4mm; }
.many .tick { break-inside: avoid; }
.many .cannot { column-span: all; }
.ending .tick { margin-top: .6mm; }
.endings { columns: 2; column-gap: 4mm; }
.endings .need { border: 0; margin: 0; padding: 0; max-width: none; }
.endings .step:first-child { margin-top: 0; }
.endings .fields { flex-direction: column; align-items: stretch; gap: 0; }
.endings .line { flex: none; }
.stopped { border-width: .9mm; }
.signatures { break-inside: avoid; }
.signatures .why { margin-top: 3mm; }
code { font-family: "IBM Plex Mono", "DejaVu Sans Mono", monospace; font-size: .92em;
  font-style: normal; }
"""
