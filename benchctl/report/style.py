"""The style sheet of the HTML report: light and dark screens, and A4 paper."""

STYLE = """
:root{color-scheme:light dark;
 --paper:#fcfcfa;--card:#f4f4ef;--ink:#1f2a33;--soft:#5d6b75;--line:#dcdfdc;--band:#dfe6e4;
 --pass:#17683f;--fail:#a8261c;--undecided:#84590a;--idle:#5d6b75;
 --s1:#1c5d8f;--s2:#b4541a;--s3:#2e7d5b;--s4:#7a4a94}
@media(prefers-color-scheme:dark){:root{
 --paper:#171c20;--card:#20272c;--ink:#e3e7e6;--soft:#9daab1;--line:#39444b;--band:#2d3a3f;
 --pass:#7bcb9d;--fail:#f19587;--undecided:#e0b765;--idle:#9daab1;
 --s1:#82b8e4;--s2:#eea571;--s3:#7fcba6;--s4:#c8a2de}}
*{box-sizing:border-box}
body{margin:0 auto;padding:28px 24px 60px;max-width:1000px;background:var(--paper);color:var(--ink);
 font:15px/1.45 system-ui,"Liberation Sans",Arial,sans-serif}
h1{font-size:23px;line-height:1.2;margin:0 0 2px}
h2{font-size:16px;margin:30px 0 8px;padding-bottom:3px;border-bottom:1.5px solid var(--ink)}
h3{font-size:15px;margin:0;display:flex;gap:8px;align-items:baseline}
h3 .took{margin-left:auto;font-weight:400;color:var(--soft);font-size:13px}
p{margin:3px 0}
ul{margin:3px 0;padding-left:20px}
.top{display:flex;gap:18px;align-items:center;border:2px solid;border-radius:8px;padding:14px 18px}
.top .sign{font-size:44px;line-height:1;width:48px;text-align:center;flex:none}
.top .word{font-size:14px;font-weight:700;letter-spacing:.09em;text-transform:uppercase}
.top h1,.top p{color:var(--ink)}
.top p{font-size:14px}
.v-pass{color:var(--pass)}.v-fail{color:var(--fail)}.v-undecided{color:var(--undecided)}.v-not-run{color:var(--idle)}
.keys{display:grid;grid-template-columns:repeat(4,1fr);gap:10px;margin:12px 0}
.key{background:var(--card);border-radius:7px;padding:7px 12px;font-size:13px;break-inside:avoid}
.key .number{font-size:19px;font-weight:600;white-space:nowrap}.key .gauge svg{width:100%;height:12px}
.notice{border-left:5px solid var(--undecided);background:var(--card);padding:7px 12px;margin:10px 0;font-weight:600}
.soft,.note,.remark{color:var(--soft)}
.note{font-size:13px}
.glance{columns:2;column-gap:34px;padding:0;margin:8px 0;list-style:none}
.glance li{display:flex;gap:8px;break-inside:avoid;padding:2px 0;border-bottom:1px solid var(--line)}
.glance .word{margin-left:auto;white-space:nowrap}
.cards{display:grid;grid-template-columns:repeat(auto-fit,minmax(270px,1fr));gap:10px}
.card{background:var(--card);border-radius:7px;padding:9px 13px;break-inside:avoid}
.card .role{color:var(--soft);font-size:13px}
.card .label{font-size:17px;font-weight:600;overflow-wrap:anywhere}
.finding{margin:8px 0;padding:9px 13px;background:var(--card);border-radius:7px;break-inside:avoid}
.finding h3 .took{white-space:nowrap}
.finding dl,dl.facts{display:grid;grid-template-columns:max-content 1fr;gap:1px 14px;margin:4px 0 0}
dt{color:var(--soft)}dd{margin:0;overflow-wrap:anywhere}
dl.facts{grid-template-columns:max-content 1fr max-content 1fr}
dl.facts .wide{grid-column:2/-1}
dl.facts dd{font-variant-numeric:tabular-nums}
.hash{font:12px/1.5 ui-monospace,"Liberation Mono",monospace;word-break:break-all}
.stage{margin:16px 0 20px}
.reason{margin:3px 0 3px 22px}
table{border-collapse:collapse;width:100%;margin:5px 0;font-size:13.5px;font-variant-numeric:tabular-nums}
th{font-weight:400;color:var(--soft);text-align:left;font-size:12px;padding:1px 8px 1px 0;vertical-align:bottom}
td{padding:2px 8px 2px 0;border-top:1px solid var(--line);vertical-align:top}
th.n,td.n{text-align:right}
td.name{overflow-wrap:anywhere}
.tight{white-space:nowrap}td.limit{white-space:nowrap}
td.gauge{padding-top:5px}
.gauge svg{display:block;width:74px;height:9px}
svg text{fill:var(--ink)}
.readings{table-layout:fixed}
td b{font-weight:600}
col.name{width:20%}col.cell{width:17.5%}col.limit{width:14%}col.gauge{width:84px}
.plots{display:grid;grid-template-columns:repeat(3,1fr);gap:14px 18px;margin-top:8px}
figure{margin:0;break-inside:avoid}
figure svg{width:100%;height:auto;display:block}
@media screen and (min-width:1280px){body:has(.drawn){max-width:1320px}
 .drawn{display:grid;grid-template-columns:1fr 300px;column-gap:26px;align-items:start}.drawn h3{grid-column:1/-1}
 .beside{grid-template-columns:1fr;margin:6px 0 0}}
figcaption{font-size:12px;color:var(--soft)}figcaption b{color:var(--ink);font-weight:600}
.cautions{columns:2;column-gap:26px;font-size:13px}
.cautions p{break-inside:avoid;margin:0 0 6px}
.stated{table-layout:fixed}col.sign{width:20px}col.said{width:50%}
details{margin:3px 0}details div{color:var(--soft);font-size:13px;padding-left:18px}summary{cursor:pointer}
.on-paper{display:none}
@media screen and (max-width:760px){.glance,.cautions{columns:1}.top .sign{width:36px;font-size:34px}
 .keys{grid-template-columns:1fr 1fr}.scroll{overflow-x:auto}.plots{grid-template-columns:1fr}
 .readings,.readings tbody{display:block}.readings colgroup,.readings thead{display:none}
 .readings tr{display:grid;grid-template-columns:1fr 1fr;border-top:1px solid var(--line);padding:3px 0}
 .readings td{border:0;padding:1px 8px 1px 0;overflow-wrap:anywhere}.readings td.name,.readings td[colspan],
 .readings td.remark{grid-column:1/-1}.readings td.name,.readings td.remark{color:var(--soft)}
 .finding dl,dl.facts{grid-template-columns:1fr}dl.facts .wide{grid-column:auto}}
@page{size:A4;margin:9mm 12mm 11mm;@bottom-right{content:counter(page) " / " counter(pages);font:8pt sans-serif}}
@media print{:root{color-scheme:light;
 --paper:#fff;--card:#f3f3ef;--ink:#1a2329;--soft:#525f68;--line:#d5d8d5;--band:#e2e8e6;
 --pass:#17683f;--fail:#a8261c;--undecided:#84590a;--idle:#525f68;
 --s1:#1c5d8f;--s2:#b4541a;--s3:#2e7d5b;--s4:#7a4a94}
 *{print-color-adjust:exact;-webkit-print-color-adjust:exact}
 body{max-width:none;padding:0;font-size:8pt;line-height:1.2}
 h1{font-size:14pt}h2{font-size:9.5pt;margin:4pt 0 1pt;padding-bottom:1pt;break-after:avoid}
 h3{font-size:8pt;gap:4pt;break-after:avoid}
 .top{padding:5pt 10pt}.top .sign{font-size:24pt}.top .word,.top p{font-size:8pt}
 .cards{grid-template-columns:1fr 1fr}.card{padding:4pt 9pt}.card div{font-size:7.4pt}.card div.label{font-size:9.5pt}
 .glance{columns:5;column-gap:12pt;margin:3pt 0;font-size:7pt}.glance li{padding:.6pt 0}
 .notice{margin:4pt 0;padding:3pt 8pt}
 .finding{margin:4pt 0;padding:4pt 9pt}.note,h3 .took{font-size:6.6pt}
 .keys{gap:6pt;margin:4pt 0}.key{padding:3pt 7pt;font-size:7pt}.key .number{font-size:11pt}
 .stage{margin:0 0 2pt}.reason{margin:1pt 0 1pt 12pt}
 table{font-size:6.2pt;line-height:1.06;margin:1pt 0}th{font-size:6.2pt}td,th{padding-right:3pt}
 td{padding-top:.2pt;padding-bottom:.2pt}tr,li{break-inside:avoid}thead{break-after:avoid}
 .note{margin:1pt 0;padding-left:9pt}.note li{margin:0}
 td.limit{white-space:normal}.readings thead,td.gauge,col.gauge,td.remark,col.remark{display:none}
 col.name{width:32%}col.cell{width:27%}col.limit{width:14%}
 .single,.single tbody{display:block}.single tbody{columns:2;column-gap:6mm}.single colgroup{display:none}
 .single tr{display:grid;grid-template-columns:35% 1fr 21%;border-top:1px solid var(--line)}.single td{border:0}
 .on-paper{display:block;font-size:6.6pt;color:var(--soft)}
 .plots{grid-template-columns:repeat(4,1fr);gap:2pt 7pt;margin-top:2pt}figure svg{max-height:58pt}
 .drawn{display:grid;grid-template-columns:1fr 23%;column-gap:8pt;align-items:start}.drawn h3{grid-column:1/-1}
 .beside{grid-template-columns:1fr}.few{display:block}.few .beside{grid-template-columns:repeat(4,1fr)}
 figcaption{font-size:6.2pt;line-height:1.1}
 dl.facts{display:block;break-inside:avoid;margin:0;font-size:6.6pt}.hash{font-size:6pt}
 dl.facts dt,dl.facts dd{display:inline}dl.facts dd::after{content:"  ·  "}
 .outputs,.outputs table{font-size:6pt;line-height:1.08}.stated col.said{width:49%}.tail{break-inside:avoid}
 .outputs p{margin:1pt 0}
 summary{list-style:none}details{margin:1pt 0}
 .cautions{columns:4;column-gap:4mm;font-size:6.1pt;line-height:1.12}.cautions p{margin-bottom:2pt}
}
"""
