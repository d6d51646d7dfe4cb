"""Habits of invented laboratories and dairies in eight languages; none is taken from a real one.

A column is (heading, what it is); what it is: ``id day reported made received desc source batch n lab method note``, a
measure with its unit such as ``fat:g/100g`` (decimals after a second colon), ``-`` for what the records do not keep,
``dm`` for figures in dry matter that must be refused, ``?`` for what can only be asked.
"""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Habit:
    name: str
    columns: tuple[tuple[str, str], ...]
    form: str = "csv"  # csv xlsx ods pdf
    kind: str = "milk"
    language: str = "en"
    separator: str = ";"
    page: str = "utf-8"
    end: str = "\r\n"
    decimal: str = "."
    thousands: str = ""
    days: str = "dmy."
    titles: tuple[tuple, ...] = ()
    below: tuple[tuple, ...] = ()
    units_below: bool = False
    layout: str = "rows"  # rows sideways long sections side-by-side two-tables two-rows
    summary: str = ""
    oddities: tuple[str, ...] = ()  # censored nd percent marks blanks mixed
    native: bool = True  # numbers and days of workbooks as such, else as text
    sheet: str = "Results"
    before: tuple[str, ...] = ()  # other sheets
    n: int = 6
    lab: str = ""
    quote_all: bool = False
    asks: str = ""  # key of the question that must be asked
    factor: float | None = None
    said: dict = field(default_factory=dict)


def c(text: str) -> tuple[tuple[str, str], ...]:
    """Columns from lines ``heading | what it is``."""
    rows = [line.rsplit("|", 1) for line in text.strip().splitlines()]
    return tuple((heading.strip(), what.strip()) for heading, what in rows)


EN = c("""Sample ID | id
Date sampled | day
Date reported | reported
Description | desc
Fat (g/100 g) | fat:g/100g
Protein (g/100 g) | protein:g/100g
Lactose (g/100 g) | lactose:g/100g
Total solids (g/100 g) | solids:g/100g
SCC (x1000/ml) | scc:1000/ml
TPC (x1000 cfu/ml) | tpc:1000/ml
Freezing point (°C) | fp:C
pH | ph
""")
DE = c("""Probennummer | id
Probenahme | day
Befunddatum | reported
Bezeichnung | desc
Fett % | fat:%
Eiweiß % | protein:%
Laktose % | lactose:%
Zellzahl Tsd./ml | scc:1000/ml
Keimzahl KbE/ml | tpc:/ml
Gefrierpunkt °C | fp:C
Harnstoff mg/l | -
""")
FR = c("""N° échantillon | id
Date de prélèvement | day
Date du rapport | reported
Désignation | desc
Matière grasse (g/l) | fat:g/l
Matière protéique (g/l) | protein:g/l
Cellules (x1000/ml) | scc:1000/ml
Germes totaux (UFC/ml) | tpc:/ml
Point de congélation (°C) | fp:C
Urée (mg/l) | -
""")
IT = c("""N. campione | id
Data prelievo | day
Data rapporto | reported
Descrizione | desc
Grasso % (p/p) | fat:g/100g
Proteine % (p/p) | protein:g/100g
Lattosio % (p/p) | lactose:g/100g
Residuo secco magro % | -
Cellule somatiche (x1000/ml) | scc:1000/ml
Carica batterica totale (UFC/ml x 1000) | tpc:1000/ml
Punto crioscopico (-m°C) | fp:mC
""")
ES = c("""Nº muestra | id
Fecha de toma | day
Fecha informe | reported
Descripción de la muestra | desc
Grasa (% p/p) | fat:g/100g
Proteína (% p/p) | protein:g/100g
Lactosa (% p/p) | lactose:g/100g
Extracto seco (% p/p) | solids:g/100g
RCS (miles/ml) | scc:1000/ml
Bacteriología (UFC/ml) | tpc:/ml
Punto crioscópico (m°C) | fp:mC
""")
EL = c("""Αριθμός δείγματος | id
Ημερομηνία δειγματοληψίας | day
Ημερομηνία έκδοσης | reported
Περιγραφή | desc
Λίπος % (w/w) | fat:g/100g
Πρωτεΐνη % (w/w) | protein:g/100g
Λακτόζη % (w/w) | lactose:g/100g
ΣΥΑΛ % | -
Σωματικά κύτταρα (x1000/ml) | scc:1000/ml
ΟΜΧ (cfu/ml x1000) | tpc:1000/ml
Σημείο πήξης (°C) | fp:C
""")
PT = c("""N.º amostra | id
Data de colheita | day
Data do relatório | reported
Descrição da amostra | desc
Gordura % (m/m) | fat:g/100g
Proteína % (m/m) | protein:g/100g
Lactose % (m/m) | lactose:g/100g
Extrato seco % (m/m) | solids:g/100g
Células somáticas (x1000/ml) | scc:1000/ml
Microrganismos a 30 °C (UFC/ml) | tpc:/ml
""")
TR = c("""Numune No | id
Numune alma tarihi | day
Rapor tarihi | reported
Açıklama | desc
Yağ (%) | fat:%
Protein (%) | protein:%
Laktoz (%) | lactose:%
Yağsız kuru madde (%) | -
Somatik hücre (bin/ml) | scc:1000/ml
Toplam bakteri (kob/ml) | tpc:/ml
Donma noktası (°C) | fp:C
""")
POT_EN = c("""Sample number | id
Batch | batch
Production date | made
Sampling date | day
Report date | reported
Pots in composite | n
Fat (g/100 g) | fat:g/100g
of which saturates (g/100 g) | saturates:g/100g
Carbohydrate (g/100 g) | carbohydrate:g/100g
of which sugars (g/100 g) | sugars:g/100g
Protein (N x 6.38) (g/100 g) | protein:g/100g
Salt (g/100 g) | salt:g/100g
Calcium (mg/100 g) | calcium:mg/100g
Energy (kJ/100 g) | -
pH | ph
""")
POT_DE = c("""Proben-Nr. | id
Charge | batch
Herstellungsdatum | made
Probenahmedatum | day
Berichtsdatum | reported
Fett g/100 g | fat:g/100g
davon gesättigte Fettsäuren g/100 g | saturates:g/100g
Kohlenhydrate g/100 g | carbohydrate:g/100g
davon Zucker g/100 g | sugars:g/100g
Eiweiß (N x 6,38) g/100 g | protein:g/100g
Salz g/100 g | salt:g/100g
Milchsäure g/100 g | lactic:g/100g
Trockenmasse g/100 g | solids:g/100g
""")
POT_FR = c("""Référence échantillon | id
Lot | batch
Date de fabrication | made
Date de prélèvement | day
Date du rapport | reported
Matières grasses (g/100g) | fat:g/100g
dont acides gras saturés (g/100g) | saturates:g/100g
Glucides (g/100g) | carbohydrate:g/100g
dont sucres (g/100g) | sugars:g/100g
Protéines (g/100g) | protein:g/100g
Sodium (mg/100g) | sodium:mg/100g
Calcium (mg/kg) | calcium:mg/kg
Gras sur sec % | dm
""")
POT_IT = c("""Codice campione | id
Lotto | batch
Data produzione | made
Data di prelievo | day
Data emissione | reported
Grassi (g/100 g) | fat:g/100g
di cui acidi grassi saturi (g/100 g) | saturates:g/100g
Carboidrati (g/100 g) | carbohydrate:g/100g
di cui zuccheri (g/100 g) | sugars:g/100g
Proteine (g/100 g) | protein:g/100g
Sale (g/100 g) | salt:g/100g
Umidità (g/100 g) | moisture:g/100g
""")
POT_ES = c("""Código muestra | id
Lote | batch
Fecha de fabricación | made
Fecha de muestreo | day
Fecha de emisión | reported
Grasas g/100 g | fat:g/100g
de las cuales saturadas g/100 g | saturates:g/100g
Hidratos de carbono g/100 g | carbohydrate:g/100g
de los cuales azúcares g/100 g | sugars:g/100g
Proteínas g/100 g | protein:g/100g
Sal g/100 g | salt:g/100g
""")
POT_EL = c("""Κωδικός δείγματος | id
Παρτίδα | batch
Ημερομηνία παραγωγής | made
Ημερομηνία δειγματοληψίας | day
Ημερομηνία έκδοσης | reported
Λιπαρά g/100 g | fat:g/100g
εκ των οποίων κορεσμένα g/100 g | saturates:g/100g
Υδατάνθρακες g/100 g | carbohydrate:g/100g
εκ των οποίων σάκχαρα g/100 g | sugars:g/100g
Πρωτεΐνες g/100 g | protein:g/100g
Αλάτι g/100 g | salt:g/100g
""")


def pick(columns, *keep, **renamed):
    """Some of the columns by what they are (before the unit); ``what=("heading", "unit")`` writes one another way."""
    out = []
    for heading, what in columns:
        name = what.split(":")[0]
        if keep and name not in keep:
            continue
        if name in renamed:
            heading, unit = renamed[name]
            what = f"{name}:{unit}" if unit else name
        out.append((heading, what))
    return tuple(out)


CORE = ("id", "day", "desc", "fat", "protein", "lactose")
H = Habit
HABITS: tuple[Habit, ...] = (
    # English
    H("en_plain", EN, separator=",", days="ymd", lab="Alder Test House"),
    H("en_us_dates", EN, separator=",", days="mdy/", lab="Alder Test House"),
    H(
        "en_titles",
        EN,
        separator=",",
        days="dmy/",
        titles=(("Harrow Lane Laboratory",), ("Laboratory: Harrow Lane",), (), ("Results of the month",)),
        below=((), ("* outside the accredited range",), ("End of report",)),
        lab="Harrow Lane",
    ),
    H(
        "en_xlsx",
        EN,
        form="xlsx",
        days="native",
        titles=(("Laboratory", "Harrow Lane"), ()),
        summary="Mean",
        lab="Harrow Lane",
    ),
    H("en_xlsx_text", EN, form="xlsx", days="dmy/", native=False, oddities=("censored", "nd"), lab="Harrow Lane"),
    H(
        "en_units_row",
        pick(
            EN,
            *CORE,
            "scc",
            fat=("Fat", "g/100g"),
            protein=("Protein", "g/100g"),
            lactose=("Lactose", "g/100g"),
            scc=("Somatic cells", "1000/ml"),
        ),
        form="xlsx",
        units_below=True,
        days="native",
    ),
    H("en_ods", EN, form="ods", days="native"),
    H(
        "en_pdf",
        pick(EN, *CORE, "solids"),
        form="pdf",
        days="dmy/",
        titles=(("Test report 26/118",), ("Laboratory: Harrow Lane",)),
        below=(("Results relate to the samples as received.",),),
        lab="Harrow Lane",
    ),
    H("en_pdf_ruled", pick(EN, *CORE), form="pdf", days="ymd", oddities=("ruled",)),
    H("en_sideways", pick(EN, *CORE, "ph"), separator=",", days="ymd", layout="sideways"),
    H(
        "en_sideways_xlsx",
        pick(EN, *CORE, "scc"),
        form="xlsx",
        days="native",
        layout="sideways",
        titles=(("Monthly sheet",), ()),
    ),
    H("en_long", pick(EN, *CORE, "scc", "fp"), separator=",", days="dmy/", layout="long"),
    H(
        "en_long_xlsx",
        pick(EN, *CORE, "solids"),
        form="xlsx",
        days="native",
        layout="long",
        titles=(("Analytical report",), ()),
    ),
    H("en_sections", pick(EN, "id", "day", "fat", "protein", "lactose"), separator=",", days="ymd", layout="sections"),
    H("en_side_by_side", pick(EN, *CORE), form="xlsx", days="native", layout="side-by-side"),
    H("en_two_tables", pick(EN, *CORE), form="xlsx", days="native", layout="two-tables"),
    H(
        "en_two_rows",
        c(
            "Sample number|id\nSampling date|day\nSample description|desc\nFat %|fat:%\nProtein "
            "%|protein:%\nSomatic cells x1000/ml|scc:1000/ml"
        ),
        form="xlsx",
        days="native",
        layout="two-rows",
    ),
    H("en_tabs", EN, separator="\t", end="\n", days="d mon yyyy"),
    H("en_pipes", pick(EN, *CORE), separator="|", end="\n", days="ymd"),
    H("en_blanks", pick(EN, *CORE), separator="  ", end="\n", days="ymd"),
    H(
        "en_percent_cells",
        pick(EN, *CORE, fat=("Fat", "%"), protein=("Protein", "%"), lactose=("Lactose", "%")),
        separator=",",
        days="ymd",
        oddities=("percent",),
    ),
    H(
        "en_cells_per_ml",
        pick(EN, *CORE, "scc", scc=("SCC (cells/ml)", "/ml"), fat=("Fat % w/v", "g/100ml")),
        separator=";",
        thousands=",",
        days="dmy/",
    ),
    H(
        "en_thousands",
        pick(EN, *CORE, "scc", "tpc", scc=("Somatic cell count cells/ml", "/ml"), tpc=("Plate count cfu/ml", "/ml")),
        separator="\t",
        thousands=",",
        days="ymd",
    ),
    H(
        "en_kg",
        pick(
            EN,
            *CORE,
            fat=("Butterfat g/kg", "g/kg"),
            protein=("Crude protein g/kg", "g/kg"),
            lactose=("Lactose g/kg", "g/kg"),
        ),
        form="ods",
        days="native",
    ),
    H("en_nitrogen", pick(EN, *CORE, protein=("Total nitrogen %", "nitrogen")), separator=",", days="ymd", factor=6.38),
    H("en_monohydrate", pick(EN, *CORE, lactose=("Lactose monohydrate %", "monohydrate")), separator=",", days="ymd"),
    H(
        "en_snf",
        c(
            "Sample no|id\nDate sampled|day\nSample|desc\nFat %|fat:%\nSNF %|-\nProtein %|protein:%\nAdded "
            "water %|-\nUrea mg/dl|-"
        ),
        separator=",",
        days="ymd",
    ),
    H(
        "en_dry_matter",
        c(
            "Sample no|id\nDate sampled|day\nSample|desc\nFat %|fat:%\nFat in dry matter %|dm\nProtein "
            "%|protein:%\nTrue protein %|dm"
        ),
        separator=",",
        days="ymd",
    ),
    H("en_undecided_days", pick(EN, *CORE), separator=",", days="dmy/", oddities=("early days",), asks="days"),
    H(
        "en_no_unit_litre",
        pick(EN, *CORE, fat=("Fat", "g/l"), protein=("Protein", "g/l"), lactose=("Lactose", "g/l")),
        separator=",",
        days="ymd",
        asks="column:Fat",
    ),
    H(
        "en_no_kind",
        c("Sample no|id\nDate sampled|day\nFat %|fat:%\nProtein %|protein:%"),
        separator=",",
        days="ymd",
        asks="kind",
    ),
    H(
        "en_unknown_word",
        pick(EN, *CORE, fat=("Fat residual %", "?")),
        separator=",",
        days="ymd",
        asks="column:Fat residual %",
    ),
    H("en_formula_total", pick(EN, *CORE), form="xlsx", days="native", summary="Average", before=("Cover",)),
    H("en_marks", pick(EN, *CORE), separator=",", days="ymd", oddities=("marks", "nd")),
    H("en_serial", pick(EN, *CORE), separator=",", days="serial"),
    H("en_utf16", pick(EN, *CORE), separator="\t", page="utf-16", days="ymd"),
    H("en_bom", pick(EN, *CORE), separator=",", page="utf-8-sig", days="ymd", quote_all=True),
    H("en_log", pick(EN, *CORE, "tpc", tpc=("Plate count log10 cfu/ml", "log/ml")), separator=",", days="ymd"),
    H(
        "en_density",
        pick(EN, *CORE, fat=("Fat g/l", "g/l"), protein=("Protein g/l", "g/l"), lactose=("Lactose g/l", "g/l"))
        + (("Density g/ml", "density:g/ml:4"),),
        separator=",",
        days="ymd",
    ),
    # German
    H("de_plain", DE, decimal=",", language="de"),
    H(
        "de_cp1252",
        DE,
        decimal=",",
        page="cp1252",
        language="de",
        titles=(("Untersuchungsanstalt Birkental",), ("Labor: Birkental",), ()),
        lab="Birkental",
    ),
    H("de_macroman", pick(DE, *CORE), decimal=",", page="mac_roman", end="\r", language="de"),
    H("de_cp850", pick(DE, *CORE), decimal=",", page="cp850", language="de"),
    H("de_xlsx", DE, form="xlsx", days="native", decimal=",", language="de", summary="Mittelwert"),
    H(
        "de_xlsx_text",
        DE,
        form="xlsx",
        native=False,
        decimal=",",
        thousands=".",
        language="de",
        oddities=("censored", "nd"),
    ),
    H("de_long", pick(DE, *CORE, "scc"), decimal=",", language="de", layout="long"),
    H("de_sideways", pick(DE, *CORE), decimal=",", language="de", layout="sideways"),
    H(
        "de_units_row",
        pick(
            DE,
            *CORE,
            "scc",
            fat=("Fett", "g/100g"),
            protein=("Rohprotein", "g/100g"),
            lactose=("Milchzucker", "g/100g"),
            scc=("Zellzahl", "1000/ml"),
        ),
        form="ods",
        days="native",
        units_below=True,
        decimal=",",
        language="de",
    ),
    H("de_pdf", pick(DE, *CORE), form="pdf", decimal=",", language="de", titles=(("Untersuchungsbericht 2026/41",),)),
    H("de_short_year", pick(DE, *CORE), decimal=",", days="dmy.2", language="de"),
    # French
    H("fr_plain", FR, decimal=",", days="dmy/", language="fr"),
    H(
        "fr_latin",
        FR,
        decimal=",",
        days="dmy/",
        page="cp1252",
        language="fr",
        lab="Labo du Val",
        titles=(("Laboratoire : Labo du Val",), ()),
    ),
    H(
        "fr_kg",
        pick(
            FR, "id", "day", "desc", "fat", "protein", "scc", fat=("TB (g/kg)", "g/kg"), protein=("TP (g/kg)", "g/kg")
        ),
        form="xlsx",
        days="native",
        decimal=",",
        language="fr",
    ),
    H("fr_months", pick(FR, "id", "day", "desc", "fat", "protein"), decimal=",", days="d mois yyyy", language="fr"),
    H("fr_pdf", pick(FR, "id", "day", "desc", "fat", "protein"), form="pdf", decimal=",", days="dmy/", language="fr"),
    H(
        "fr_long",
        pick(FR, "id", "day", "desc", "fat", "protein", "scc"),
        decimal=",",
        days="dmy/",
        language="fr",
        layout="long",
    ),
    # Italian
    H("it_plain", IT, decimal=",", days="dmy/", language="it"),
    H("it_xlsx", IT, form="xlsx", days="native", decimal=",", language="it", summary="Media"),
    H(
        "it_kg_hl",
        pick(
            IT,
            *CORE,
            fat=("Grasso kg/hl", "kg/hl"),
            protein=("Proteine kg/hl", "kg/hl"),
            lactose=("Lattosio kg/hl", "kg/hl"),
        ),
        decimal=",",
        days="dmy/",
        language="it",
    ),
    H("it_text", IT, form="xlsx", native=False, decimal=",", days="dmy/", language="it", oddities=("censored",)),
    # Spanish
    H("es_plain", ES, decimal=",", days="dmy/", language="es"),
    H("es_cp1252", ES, decimal=",", thousands=".", days="dmy-", page="cp1252", language="es"),
    H(
        "es_xlsx",
        ES,
        form="xlsx",
        days="native",
        decimal=",",
        language="es",
        titles=(("Laboratorio: Encinar",), ()),
        lab="Encinar",
    ),
    H("es_sideways", pick(ES, *CORE), decimal=",", days="dmy/", language="es", layout="sideways"),
    # Greek
    H("el_plain", EL, decimal=",", days="dmy/", language="el"),
    H("el_cp1253", EL, decimal=",", days="dmy/", page="cp1253", language="el"),
    H("el_xlsx", EL, form="xlsx", days="native", decimal=",", language="el", summary="Μέσος όρος"),
    # Portuguese
    H("pt_plain", PT, decimal=",", days="dmy-", language="pt"),
    H("pt_xlsx", PT, form="xlsx", days="native", decimal=",", language="pt"),
    H("pt_comma_quoted", PT, separator=",", decimal=",", days="ymd", language="pt", quote_all=True),
    # Turkish
    H("tr_plain", TR, decimal=",", language="tr"),
    H("tr_cp1254", TR, decimal=",", page="cp1254", language="tr"),
    H("tr_xlsx", TR, form="xlsx", days="native", decimal=",", language="tr"),
    # pots
    H("pot_en", POT_EN, kind="pot", separator=",", days="ymd", factor=6.38),
    H(
        "pot_en_xlsx",
        POT_EN,
        kind="pot",
        form="xlsx",
        days="native",
        titles=(("Certificate of analysis: yogurt",), ()),
        factor=6.38,
    ),
    H("pot_de", POT_DE, kind="pot", decimal=",", language="de", factor=6.38),
    H("pot_fr", POT_FR, kind="pot", decimal=",", days="dmy/", language="fr"),
    H("pot_it", POT_IT, kind="pot", decimal=",", days="dmy/", language="it"),
    H("pot_es", POT_ES, kind="pot", form="xlsx", days="native", decimal=",", language="es"),
    H("pot_el", POT_EL, kind="pot", decimal=",", days="dmy/", language="el"),
    H(
        "pot_long",
        pick(POT_EN, "id", "batch", "made", "day", "fat", "saturates", "protein", "salt"),
        kind="pot",
        form="xlsx",
        days="native",
        layout="long",
        factor=6.38,
    ),
    H(
        "pot_625",
        pick(POT_EN, "id", "batch", "made", "day", "fat", "protein", "salt", protein=("Protein (N x 6.25) %", "%")),
        kind="pot",
        separator=",",
        days="ymd",
        factor=6.25,
    ),
)
