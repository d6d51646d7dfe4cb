"""One posterior for everything in the pot: mass balance as the prior, the dairy's own pot tests as the news.

Unknowns of the dairy (x, each standard normal before the news): the usual loss of water, lactic acid, the saturates'
share of fat and its swing over the year, salt, calcium and minerals of the milk, other carbohydrate, what the milk
method and the vessel add or keep, the offset of the vat's own milk test, the offset of each lab other than the
reference lab, and the main directions f in which the milk model's draws of the tested days move together. Unknowns of
one lot: the milk's remaining day noise and the lot's own loss, acid, share, salt, calcium and minerals.

    y_o = g_o(z_lot) + offset_lab + e_o,     z_lot = z0_lot + G_lot x + u_lot,     e_o ~ t_nu(0, s_o)

g is the mass balance of ``balance``, linearised about the current estimate (Gauss-Newton), so that given the scales and
weights all is normal; one lot's results share u, whose covariance is integrated out exactly. The scales (lots' loss,
lots' other spread, result noise) are integrated over a grid; weights of the t-errors are carried at their conditional
mean (nu = 4), so that an odd result fades instead of dragging. Because f belongs to the draws of the milk model, each
milk draw gets its own posterior draw of x (conditioning by the path), and errors that the milk of the tested days
shares with the milk to come cancel as they should.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, special

from analysis.pot import figures as fig
from analysis.pot.balance import Lot, pot_of, soft_loss
from analysis.pot.loss import LossFit
from analysis.pot.pairing import Lots

Array = NDArray[np.float64]
Index = NDArray[np.intp]

INPUTS = (
    "fat", "protein", "lactose", "loss", "acid", "share", "salt", "calcium", "minerals", "other",
    "fat_recovery", "protein_recovery", "sugars_offset", "ph", "vat_fat", "vat_protein",
)  # fmt: skip
"""What a lot is made of, each linear in x: milk in g, ``loss`` as its line, ``share`` as logit, acid, salt, calcium,
minerals and other as logs."""
OUTPUTS = (*fig.NUTRIENTS, "by_difference", "ph", "vat_fat", "vat_protein")
DAIRY = (
    "loss", "acid", "share", "share_cos", "share_sin", "salt", "calcium", "minerals", "other",
    "fat_recovery", "protein_recovery", "sugars_offset", "ph", "vat_fat", "vat_protein",
)  # fmt: skip
_IN = {name: i for i, name in enumerate(INPUTS)}
_OUT = {name: i for i, name in enumerate(OUTPUTS)}
_STATE = {name: i for i, name in enumerate(DAIRY)}
_NU = 4.0
_FACTORS = 8
_LOSS_NODES = np.asarray([-1.5, 0.0, 1.5])
_SPREAD_NODES = np.asarray([-1.5, 0.0, 1.5])
_NOISE_NODES = np.asarray([-1.5, 0.0, 1.5, 3.0])
_NOISE_LOG_SD = 0.35


def _log_sd(figure: fig.Figure) -> float:
    """Sd of the logarithm of a positive quantity with this mean and sd."""
    return float(np.sqrt(np.log1p((figure.sd / figure.mean) ** 2)))


def base_inputs(loss: LossFit) -> tuple[Array, dict[str, tuple[str, float]]]:
    """Return the inputs at x = 0 without milk (16,), and for each unknown of the dairy its input and sd."""
    z = np.zeros(len(INPUTS))
    share = fig.SATURATES_SHARE
    slope = share.mean * (1.0 - share.mean)
    for name, figure in (
        ("acid", fig.LACTIC_ACID), ("salt", fig.SALT), ("calcium", fig.CALCIUM), ("minerals", fig.MINERALS),
        ("other", fig.OTHER_CARBOHYDRATE),
    ):  # fmt: skip
        z[_IN[name]] = np.log(figure.mean) - 0.5 * _log_sd(figure) ** 2
    z[_IN["loss"]] = loss.line_mean
    z[_IN["share"]] = special.logit(share.mean)
    z[_IN["ph"]] = fig.PH_OF_YOGURT.mean
    moves = {
        "loss": ("loss", loss.line_sd),
        "acid": ("acid", _log_sd(fig.LACTIC_ACID)),
        "share": ("share", share.sd / slope),
        "share_cos": ("share", fig.SATURATES_SEASON_SD.sd / slope),
        "share_sin": ("share", fig.SATURATES_SEASON_SD.sd / slope),
        "salt": ("salt", _log_sd(fig.SALT)),
        "calcium": ("calcium", _log_sd(fig.CALCIUM)),
        "minerals": ("minerals", _log_sd(fig.MINERALS)),
        "other": ("other", _log_sd(fig.OTHER_CARBOHYDRATE)),
        "fat_recovery": ("fat_recovery", fig.RECOVERY_FAT.sd),
        "protein_recovery": ("protein_recovery", fig.RECOVERY_PROTEIN.sd),
        "sugars_offset": ("sugars_offset", fig.SUGARS_OFFSET.sd),
        "ph": ("ph", fig.PH_OF_YOGURT.sd),
        "vat_fat": ("vat_fat", fig.VAT_BIAS_SD["fat"]),
        "vat_protein": ("vat_protein", fig.VAT_BIAS_SD["protein"]),
    }
    return z, moves


def year_angle(days: NDArray[np.datetime64]) -> Array:
    """Return the day of the year as an angle, 0 at New Year."""
    day = days.astype("datetime64[D]")
    start = day.astype("datetime64[Y]").astype("datetime64[D]")
    return np.asarray(2.0 * np.pi * (day - start).astype(np.float64) / 365.25)


def lot_sds(loss_sd: float, spread: float) -> dict[str, float]:
    """Return the lot-to-lot sd of each lot input, the loss's and the others' times ``spread``."""
    return {
        "loss": loss_sd,
        "acid": fig.LOT_ACID_LOG_SD * spread,
        "share": fig.LOT_SATURATES_LOGIT_SD * spread,
        "salt": fig.LOT_SALT_LOG_SD * spread,
        "calcium": fig.LOT_CALCIUM_LOG_SD * spread,
        "minerals": fig.LOT_MINERALS_LOG_SD * spread,
    }


def lot_from(z: dict[str, Array]) -> Lot:
    """Return the Lot behind inputs that broadcast together."""
    return Lot(
        fat=z["fat"],
        protein=z["protein"],
        lactose=z["lactose"],
        loss=soft_loss(z["loss"]),
        acid=np.exp(z["acid"]),
        saturates_share=special.expit(z["share"]),
        salt=np.exp(z["salt"]),
        calcium=np.exp(z["calcium"]),
        minerals=np.exp(z["minerals"]),
        other_carbohydrate=np.exp(z["other"]),
        fat_recovery=z["fat_recovery"],
        protein_recovery=z["protein_recovery"],
        sugars_offset=z["sugars_offset"],
    )


def _outputs(z: Array) -> Array:
    """Return what could be measured (n, 13) of lots with inputs (n, 16)."""
    named = {name: z[:, i] for name, i in _IN.items()}
    pot = pot_of(lot_from(named))
    pot["ph"] = named["ph"] + fig.PH_PER_ACID * (pot["lactic_acid"] - fig.LACTIC_ACID.mean)
    pot["vat_fat"] = named["fat"] + named["vat_fat"]
    pot["vat_protein"] = named["protein"] + named["vat_protein"]
    return np.column_stack([pot[name] for name in OUTPUTS])


def _slopes(z: Array) -> Array:
    """Return the derivative (n, 13, 16) of the outputs by central differences."""
    step = 1e-5
    n, inputs = z.shape
    moved = np.concatenate([z + step * np.eye(inputs)[:, None, :], z - step * np.eye(inputs)[:, None, :]])
    seen = _outputs(moved.reshape(-1, inputs)).reshape(2, inputs, n, len(OUTPUTS))
    return np.asarray(((seen[0] - seen[1]) / (2.0 * step)).transpose(1, 2, 0))


@dataclass(frozen=True)
class Results:
    """Every measured number as one row, sorted by lot.

    Attributes
    ----------
    y, sd : array (m,)
        The result and its own error.
    lot, test : int array (m,)
        Row of the lots, row of the tests (-1: the vat's own milk test).
    mix : array (m, 13)
        What it measures, as weights of the outputs.
    offset : int array (m,)
        Column of x that holds its lab's offset, -1 none.
    offset_sd : array (m,)
        Its sd.
    name : tuple of str
        Nutrient of each, or ``ph``, ``vat_fat``, ``vat_protein``.
    labs : tuple of (lab, nutrient)
        The offsets that x holds, in order, after the unknowns of the dairy.
    """

    y: Array
    sd: Array
    lot: Index
    test: Index
    mix: Array
    offset: Index
    offset_sd: Array
    name: tuple[str, ...]
    labs: tuple[tuple[str, str], ...]


def gather(lots: Lots, reference_lab: str) -> Results:
    """Turn tests and vats into rows of results; labs other than ``reference_lab`` get offsets of their own."""
    tests, vats = lots.tests, lots.lots
    rows: list[tuple[int, int, str, float, float, int, float, float]] = []
    labs: dict[tuple[str, str], int] = {}
    of_lot, of_lab = tests["lot"].to_numpy(dtype=np.intp), tests["lab"].tolist()
    pots, holds = tests["pots"].to_numpy(dtype=np.float64), tests["holds_acid"].to_numpy(dtype=np.float64)
    for name in (*fig.NUTRIENTS, "ph"):
        values = tests[name].to_numpy(dtype=np.float64)
        for i in np.flatnonzero(np.isfinite(values)):
            acid = float(holds[i]) if name == "carbohydrate" else 0.0
            control = fig.CONTROL_BY_DIFFERENCE if acid > 0.5 else fig.CONTROL.get(name)
            offset, offset_sd = -1, 0.0
            sd = fig.PH_RESULT_SD
            if control is not None:
                sd = float(np.hypot(control.pot_to_pot_sd / np.sqrt(pots[i]), control.repeat_sd))
                if acid == 0.5:
                    sd = float(np.hypot(sd, fig.DIFFERENCE_UNKNOWN_SD))
                lab = str(of_lab[i])
                if lab != reference_lab:
                    offset = len(DAIRY) + labs.setdefault((lab, name), len(labs))
                    # Both labs err: the difference of two competent labs is sqrt(2) times one's own offset.
                    offset_sd = float(np.sqrt(2.0)) * control.between_lab_sd
            rows.append((int(of_lot[i]), int(i), name, float(values[i]), sd, offset, offset_sd, acid))
    for name, key in (("vat_fat", "fat"), ("vat_protein", "protein")):
        values = vats[key].to_numpy(dtype=np.float64)
        rows.extend(
            (int(i), -1, name, float(values[i]), fig.VAT_RESULT_SD[key], -1, 0.0, 0.0)
            for i in np.flatnonzero(np.isfinite(values))
        )
    rows.sort(key=lambda r: (r[0], r[1], _OUT[r[2]]))
    mix = np.zeros((len(rows), len(OUTPUTS)))
    for o, row in enumerate(rows):
        mix[o, _OUT[row[2]]] = 1.0 - row[7]
        mix[o, _OUT["by_difference"]] += row[7]
    return Results(
        y=np.asarray([r[3] for r in rows], dtype=np.float64),
        sd=np.asarray([r[4] for r in rows], dtype=np.float64),
        lot=np.asarray([r[0] for r in rows], dtype=np.intp),
        test=np.asarray([r[1] for r in rows], dtype=np.intp),
        mix=mix,
        offset=np.asarray([r[5] for r in rows], dtype=np.intp),
        offset_sd=np.asarray([r[6] for r in rows], dtype=np.float64),
        name=tuple(r[2] for r in rows),
        labs=tuple(labs),
    )


@dataclass(frozen=True)
class MilkMoves:
    """The milk of the tested days as main directions and remaining noise.

    Attributes
    ----------
    mean : array (n, 3)
        Mean milk of each lot.
    factors : array (draw, k)
        Standardised scores of the milk draws.
    loadings : array (n, 3, k)
        How each lot's milk moves with them.
    rest : array (n, 3, 3)
        Covariance that is left, lot by lot.
    """

    mean: Array
    factors: Array
    loadings: Array
    rest: Array


def milk_moves(drawn: Array) -> MilkMoves:
    """Split milk draws (draw, n, 3) of the tested days into at most eight common directions and each lot's own rest."""
    draws, n, parts = drawn.shape
    mean = drawn.mean(axis=0)
    off = (drawn - mean).reshape(draws, n * parts)
    scale = np.maximum(off.std(axis=0), 1e-9)
    k = min(_FACTORS, n * parts, draws - 1)
    left, size, _ = linalg.svd(off / scale, full_matrices=False) if n * parts <= draws else _tall(off / scale)
    keep = [i for i in range(k) if size[i] > 1e-6 * max(size[0], 1e-12)]
    factors = left[:, keep] * np.sqrt(draws)
    loadings = (factors.T @ off / draws).T.reshape(n, parts, len(keep))
    rest = off - factors @ loadings.reshape(n * parts, len(keep)).T
    rest = rest.reshape(draws, n, parts)
    return MilkMoves(mean, factors, loadings, np.einsum("dni,dnj->nij", rest, rest) / draws)


def _tall(off: Array) -> tuple[Array, Array, Array]:
    """Left singular vectors of a matrix with more columns than draws, by its Gram matrix."""
    size, left = linalg.eigh(off @ off.T)
    return left[:, ::-1], np.sqrt(np.maximum(size[::-1], 0.0)), np.empty((0, 0))


@dataclass(frozen=True)
class Posterior:
    """The posterior of x over the grid of scales.

    Attributes
    ----------
    size : int
        Length of x: dairy, lab offsets, milk directions.
    probability : array (g,)
        Of each point of the grid.
    loss_sd, spread, noise : array (g,)
        Its scales.
    information, pull : array (g, S, S), (g, S)
        H' B^-1 H and H' B^-1 r.
    weight, distance, expected, expected_sd : array (m,)
        Of each result: its weight, how many sd it lies from what all others say, that expectation and its sd (own
        noise apart).
    lot_pots : array (n, 13)
        What each tested lot holds at the posterior mean of x and of its milk.
    results : Results
    """

    size: int
    probability: Array
    loss_sd: Array
    spread: Array
    noise: Array
    information: Array
    pull: Array
    weight: Array
    distance: Array
    expected: Array
    expected_sd: Array
    lot_pots: Array
    results: Results
    moves: dict[str, tuple[str, float]] = field(repr=False)
    base: Array = field(repr=False)

    @property
    def mean(self) -> Array:
        """Posterior mean of x."""
        eye = np.eye(self.size)
        at = [np.linalg.solve(eye + m, h) for m, h in zip(self.information, self.pull, strict=True)]
        return np.asarray(self.probability @ np.asarray(at))

    def draw(self, factors: Array, rng: np.random.Generator) -> tuple[Array, Array, Index]:
        """Draw x given the milk draws' own directions.

        Parameters
        ----------
        factors
            Scores (draw, k) of the milk draws.
        rng
            Source of randomness.

        Returns
        -------
        x : array (draw, S)
            One posterior draw for each milk draw.
        before : array (draw, S)
            The same before the news, with the milk draw's own directions at the end.
        point : int array (draw,)
            The point of the grid behind each draw.
        """
        draws, k = len(factors), factors.shape[1]
        point = rng.choice(len(self.probability), size=draws, p=self.probability)
        before = rng.standard_normal((draws, self.size))
        if k:
            before[:, self.size - k :] = factors
        noise = rng.standard_normal((draws, self.size))
        x = before.copy()
        for g in np.unique(point):
            of = point == g
            info = self.information[g]
            value, vector = np.linalg.eigh(info)
            root = vector * np.sqrt(np.maximum(value, 0.0))
            miss = self.pull[g] - before[of] @ info - noise[of] @ root.T
            x[of] += np.linalg.solve(np.eye(self.size) + info, miss.T).T
        return x, before, point


def dairy_inputs(posterior: Posterior, state: Array) -> dict[str, Array]:
    """Return the dairy's own inputs (draw,) of each kind at usual practice, season swing and milk apart."""
    out: dict[str, Array] = {}
    for i, name in enumerate(INPUTS[3:], start=3):
        total = np.full(len(state), posterior.base[i])
        for unknown, (target, sd) in posterior.moves.items():
            if target == name and not unknown.startswith("share_"):
                total = total + sd * state[:, DAIRY.index(unknown)]
        out[name] = total
    return out


def fit_joint(lots: Lots, loss: LossFit, milk: MilkMoves, reference_lab: str) -> Posterior:
    """Fit the model of the module's docstring.

    Parameters
    ----------
    lots
        Pot tests and their lots; none at all gives the prior.
    loss
        What is known of the water lost.
    milk
        Milk of the lots.
    reference_lab
        The lab taken as right.
    """
    results = gather(lots, reference_lab)
    base, moves = base_inputs(loss)
    return _Fit(lots, loss, milk, results, base, moves).solve()


class _Fit:
    """Working arrays of one fit; lots are padded to the same number of results so that all algebra is batched."""

    def __init__(
        self,
        lots: Lots,
        loss: LossFit,
        milk: MilkMoves,
        results: Results,
        base: Array,
        moves: dict[str, tuple[str, float]],
    ) -> None:
        vats, n, k = lots.lots, len(lots.lots), milk.factors.shape[1]
        self.results, self.base, self.moves, self.milk, self.loss = results, base, moves, milk, loss
        self.size = len(DAIRY) + len(results.labs) + k
        self.z0 = np.tile(base, (n, 1))
        self.z0[:, :3] = milk.mean
        shift, self.left = loss.shift(*(vats[c].to_numpy(np.float64) for c in ("hold_min", "milk_kg", "filled_kg")))
        self.z0[:, _IN["loss"]] += shift
        self.G = np.zeros((n, len(INPUTS), self.size))
        for state, (name, sd) in moves.items():
            self.G[:, _IN[name], _STATE[state]] = sd
        angle = year_angle(vats["made_on"].to_numpy())
        self.G[:, _IN["share"], _STATE["share_cos"]] *= np.cos(angle)
        self.G[:, _IN["share"], _STATE["share_sin"]] *= np.sin(angle)
        self.G[:, :3, self.size - k :] = milk.loadings
        # Place of each result inside its lot.
        m = len(results.y)
        first = np.searchsorted(results.lot, np.arange(n))
        self.slot = np.arange(m) - first[results.lot] if m else np.empty(0, dtype=np.intp)
        self.width = int(self.slot.max()) + 1 if m else 0

    def solve(self) -> Posterior:
        """Iterate linearisation and weights at each noise, then weigh the grid of scales."""
        m = len(self.results.y)
        if m == 0:
            return self._prior()
        x, w = np.zeros(self.size), np.ones(m)
        points: list[tuple[float, float, float, float, Array, Array]] = []
        kept: list[tuple[float, Array, Array, Array, Array]] = []
        for noise_node in _NOISE_NODES[np.argsort(np.abs(_NOISE_NODES), kind="stable")]:
            noise = float(np.exp(_NOISE_LOG_SD * noise_node))
            for _ in range(6 if not kept else 3):
                H, r, J = self._linear(x)
                middle = self._at(H, r, J, w, self.loss.lot_sd, 1.0, noise)
                x = middle[0]
                w = middle[3]
            H, r, J = self._linear(x)
            _, _, _, _, distance, expected, expected_sd, _ = self._at(H, r, J, w, self.loss.lot_sd, 1.0, noise)
            penalty = float(np.sum(_NU / 2.0 * np.log(w) - _NU / 2.0 * w)) - 0.5 * noise_node**2
            before = len(points)
            for loss_node in _LOSS_NODES:
                loss_sd = self.loss.lot_sd * float(np.exp(self.loss.lot_log_sd * loss_node))
                for spread_node in _SPREAD_NODES:
                    spread = float(np.exp(fig.LOT_SPREAD_LOG_SD * spread_node))
                    _, info, pull, _, _, _, _, evidence = self._at(H, r, J, w, loss_sd, spread, noise)
                    log_p = evidence + penalty - 0.5 * (loss_node**2 + spread_node**2)
                    points.append((log_p, loss_sd, spread, noise, info, pull))
            top = float(special.logsumexp([p[0] for p in points[before:]]))
            kept.append((top, w, distance, expected, expected_sd))
        log_p = np.asarray([p[0] for p in points])
        probability = np.exp(log_p - special.logsumexp(log_p))
        by_noise = np.exp(np.asarray([k[0] for k in kept]) - special.logsumexp([k[0] for k in kept]))
        averaged = [np.tensordot(by_noise, np.stack([k[j] for k in kept]), axes=1) for j in (1, 2, 3, 4)]
        return Posterior(
            size=self.size,
            probability=probability / probability.sum(),
            loss_sd=np.asarray([p[1] for p in points]),
            spread=np.asarray([p[2] for p in points]),
            noise=np.asarray([p[3] for p in points]),
            information=np.stack([p[4] for p in points]),
            pull=np.stack([p[5] for p in points]),
            weight=averaged[0],
            distance=averaged[1],
            expected=averaged[2],
            expected_sd=averaged[3],
            lot_pots=_outputs(self.z0 + self.G @ x),
            results=self.results,
            moves=self.moves,
            base=self.base,
        )

    def _prior(self) -> Posterior:
        """Without results the grid holds the priors of the scales, and nothing is pulled anywhere."""
        grid = [(a, b) for a in _LOSS_NODES for b in _SPREAD_NODES]
        weight = np.exp([-0.5 * (a * a + b * b) for a, b in grid])
        g = len(grid)
        return Posterior(
            size=self.size,
            probability=weight / weight.sum(),
            loss_sd=np.asarray([self.loss.lot_sd * np.exp(self.loss.lot_log_sd * a) for a, _ in grid]),
            spread=np.asarray([np.exp(fig.LOT_SPREAD_LOG_SD * b) for _, b in grid]),
            noise=np.ones(g),
            information=np.zeros((g, self.size, self.size)),
            pull=np.zeros((g, self.size)),
            weight=np.empty(0),
            distance=np.empty(0),
            expected=np.empty(0),
            expected_sd=np.empty(0),
            lot_pots=_outputs(self.z0),
            results=self.results,
            moves=self.moves,
            base=self.base,
        )

    def _linear(self, x: Array) -> tuple[Array, Array, Array]:
        """Return H (m, S), target r = H x + noise (m,) and slopes by input J (m, 16) about ``x``."""
        res = self.results
        z = self.z0 + self.G @ x
        J = (res.mix[:, None, :] @ _slopes(z)[res.lot])[:, 0]
        H = (J[:, None, :] @ self.G[res.lot])[:, 0]
        has = np.flatnonzero(res.offset >= 0)
        H[has, res.offset[has]] = res.offset_sd[has]
        offset = np.zeros(len(res.y))
        offset[has] = res.offset_sd[has] * x[res.offset[has]]
        seen = (res.mix * _outputs(z)[res.lot]).sum(axis=1) + offset
        return H, res.y - seen + H @ x, J

    def _at(
        self, H: Array, r: Array, J: Array, w: Array, loss_sd: float, spread: float, noise: float
    ) -> tuple[Array, Array, Array, Array, Array, Array, Array, float]:
        """At one set of scales: mean, information, pull, new weights, distances, expectations with sd, log evidence."""
        res, n, S, width = self.results, len(self.z0), self.size, self.width
        at = (res.lot, self.slot)
        own = (res.sd * noise) ** 2
        V = np.zeros((n, len(INPUTS), len(INPUTS)))
        V[:, :3, :3] = self.milk.rest
        for name, sd in lot_sds(loss_sd, spread).items():
            i = _IN[name]
            V[:, i, i] = (sd * self.left) ** 2 if name == "loss" else sd**2
        Jp = np.zeros((n, width, len(INPUTS)))
        Jp[at] = J
        B = Jp @ V @ Jp.transpose(0, 2, 1)
        diagonal = np.ones((n, width))
        diagonal[at] = own / w
        B[:, np.arange(width), np.arange(width)] += diagonal
        Hp = np.zeros((n, width, S + 1))
        Hp[at] = np.column_stack([H, r])
        B_inv = np.linalg.inv(B)
        solved = B_inv @ Hp
        both = Hp.reshape(n * width, S + 1).T @ solved.reshape(n * width, S + 1)
        info, pull, rr = both[:S, :S], both[:S, S], both[S, S]
        factor = linalg.cho_factor(np.eye(S) + info, lower=True)
        x = linalg.cho_solve(factor, pull)
        log_det = 2.0 * float(np.sum(np.log(np.diag(factor[0]))))
        sign_b = np.linalg.slogdet(B)[1]
        # Padded places have variance 1 and add nothing to the log-determinant.
        evidence = -0.5 * (float(sign_b.sum()) + log_det + float(rr - pull @ x))
        # Each result against what all others say, from the inverse of the whole covariance (Woodbury).
        HB = solved[at][:, :S]
        q = solved[at][:, S] - HB @ x
        c = B_inv[res.lot, self.slot, self.slot] - (HB * linalg.cho_solve(factor, HB.T).T).sum(axis=1)
        left_out = q / c
        others = np.maximum(1.0 / c - own / w, 0.0)
        e = own / w * q
        e_var = np.maximum(own / w - (own / w) ** 2 * c, 0.0)
        weight = (_NU + 1.0) / (_NU + (e**2 + e_var) / own)
        distance = left_out / np.sqrt(others + own)
        return x, info, pull, weight, distance, res.y - left_out, np.sqrt(others), evidence
