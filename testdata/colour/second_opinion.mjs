// Writes second_opinion.csv: 1000 made-up pairs of CIELAB colours, their differences by two general-purpose colour
// libraries from npm, and the sRGB swatch of the first colour. To make it again:
//
//   npm install culori@4.0.2 colorjs.io@0.7.1
//   node second_opinion.mjs > second_opinion.csv
//
// Half of the pairs are anywhere in the solid, half are near neighbours as on a spray-out card.
import * as culori from 'culori';
import Color from 'colorjs.io';

let state = 20050130n; // a fixed start: the file must come out the same
function random() {
  state = (state * 6364136223846793005n + 1442695040888963407n) & 0xffffffffffffffffn;
  return Number(state >> 11n) / 2 ** 53;
}
const between = (low, high) => low + (high - low) * random();
const round = (v) => Number(v.toFixed(4));
const lab = ([l, a, b]) => ({ mode: 'lab65', l, a, b });

const cie76 = culori.differenceEuclidean('lab65');
const cie94 = culori.differenceCie94();
const textiles = culori.differenceCie94(2, 0.048, 0.014);
const cmc11 = culori.differenceCmc(1, 1);
const cmc21 = culori.differenceCmc(2, 1);
const ciede = culori.differenceCiede2000();

console.log(
  'L1,a1,b1,L2,a2,b2,dE76,dE94,dE94_textiles,dECMC_1_1,dECMC_2_1,dE00,dE76_b,dECMC_1_1_b,dECMC_2_1_b,dE00_b,hex1,in_gamut1',
);
for (let i = 0; i < 1000; i++) {
  const one = [between(0, 100), between(-100, 100), between(-100, 100)].map(round);
  const two =
    i % 2 === 0
      ? [between(0, 100), between(-100, 100), between(-100, 100)].map(round)
      : [
          Math.min(100, Math.max(0, one[0] + between(-2, 2))),
          one[1] + between(-2, 2),
          one[2] + between(-2, 2),
        ].map(round);
  const c = [lab(one), lab(two)];
  const k = [new Color('lab', one), new Color('lab', two)];
  const rgb = culori.rgb(c[0]);
  const bytes = [rgb.r, rgb.g, rgb.b].map((v) => Math.round(v * 255));
  const inGamut = bytes.every((v) => v >= 0 && v <= 255);
  const figures = [
    cie76(...c), cie94(...c), textiles(...c), cmc11(...c), cmc21(...c), ciede(...c),
    k[0].deltaE(k[1], '76'), k[0].deltaE(k[1], { method: 'CMC', l: 1, c: 1 }),
    k[0].deltaE(k[1], { method: 'CMC', l: 2, c: 1 }), k[0].deltaE(k[1], '2000'),
  ];
  console.log([...one, ...two, ...figures.map((v) => v.toFixed(9)), culori.formatHex(c[0]), inGamut].join(','));
}
