"""The lists of reply words: found in every language, folded, and checked."""

from __future__ import annotations

from pathlib import Path

import pytest
from builders import draft_wordings, the_catalogs
from hypothesis import given
from hypothesis import strategies as st

from service.domain.plan import Phrase
from service.errors import ContentError
from service.inbound.reply_words import fold, load_reply_words, shipped_reply_words

GOOD = (
    'language = "xx"\nstop = ["halt"]\nstart = ["go"]\nhelp = ["aid"]\nbook = ["aye"]\nlater = ["anon"]\nno = ["nay"]\n'
    'elsewhere = ["gone"]\nwrong = ["not he"]\nwarning = ["bleed*", "my face"]\n'
)


def load(folder: Path, **files: str) -> ContentError | None:
    for name, text in files.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    try:
        load_reply_words(folder)
    except ContentError as wrong:
        return wrong
    return None


def test_every_language_of_the_catalogs_has_its_words() -> None:
    assert set(shipped_reply_words().languages) >= set(the_catalogs().languages)


@pytest.mark.parametrize("language", sorted({*the_catalogs().languages, "en"}))
def test_the_words_that_an_invitation_offers_are_understood(language: str) -> None:
    sentence = draft_wordings().say(Phrase(wording="message.return-due.words"), language)
    words, said = shipped_reply_words(), f" {fold(sentence)} "
    for known in (words.book, words.later, words.no):
        assert any(f" {word} " in said for word in known), sentence


@pytest.mark.parametrize(
    ("stop", "start", "help_"),
    [
        ("STOP", "Start", "Help"),
        ("¡Basta!", "Reanudar", "Ayuda"),
        ("Arrêtez s’il vous plaît.", "reprendre", "AIDE"),
        ("Não envie mais", "Começar", "ajuda"),
        ("opriti", "Reluați", "ajutor"),
        ("Більше не надсилайте", "відновити", "Допомога"),
        ("বন্ধ করুন।", "আবার শুরু করুন", "সাহায্য"),
        ("bondho korun", "shuru korun", "shahajjo"),
        ("停止。", "重新开始", "帮助"),
        ("請不要再發了！", "重新開始", "幫助"),
        ("退 订", "恢复", "说明"),  # spaces between characters make no difference
    ],
)
def test_people_stop_start_and_ask_for_help_in_their_language(stop: str, start: str, help_: str) -> None:
    words = shipped_reply_words()
    assert (fold(stop) in words.stop, fold(start) in words.start, fold(help_) in words.help) == (True, True, True)


@pytest.mark.parametrize(
    "text", ["cancelar", "anular", "annuler", "anulare", "скасувати", "anuluj", "cancel", "取消", "বাতিল"]
)
def test_cancel_alone_stops_nothing_since_it_may_mean_the_appointment(text: str) -> None:
    assert fold(text) not in shipped_reply_words().stop


def test_every_shipped_list_says_that_it_is_a_draft() -> None:
    from service.config import shipped_content

    for path in (shipped_content().parent / "replies").glob("*.toml"):
        assert "DRAFT: to be approved" in path.read_text(encoding="utf-8")[:400], path.name


@pytest.mark.parametrize(
    ("text", "folded"),
    [
        ("STOP.", "stop"),
        ("  Stop \n", "stop"),
        ("¡STOP!", "stop"),
        ("stop 🛑", "stop"),
        ("Stop\u200b", "stop"),
        ("can\u2019t hear", "cant hear"),
        ("Ból głowy", "bol glowy"),
        ("strôc", "stroc"),
        ("بندّ", "بند"),  # a vowel mark more
        ("كان", "کان"),  # typed on an Arabic keyboard
        ("STRASSE straße", "strasse strasse"),
        ("𝗦𝗧𝗢𝗣", "stop"),
        ("बूँद", "बूंद"),  # drops, which is not "बंद", stop
        ("ज़्यादा", "ज्यादा"),
        ("٩٩٩", "999"),
        ("৯৯৯", "999"),
        ("ব্যথা", "ব্যথা"),  # the vowels stay
        ("র‍্যাশ", "র্যাশ"),  # the joiner goes
        ("কাঁপুনি", "কাংপুনি"),
        ("听不见", "听 不 见"),  # each character is a word
        ("我ear痛，请打120！", "我 ear 痛 请 打 120"),
        ("ＳＴＯＰ", "stop"),  # wide letters
        ("", ""),
    ],
)
def test_what_makes_no_difference_is_folded_away(text: str, folded: str) -> None:
    assert fold(text) == folded


@given(st.text(max_size=40))
def test_folding_twice_is_folding_once(text: str) -> None:
    assert fold(fold(text)) == fold(text)


@pytest.mark.parametrize(
    "text",
    [
        "my ear is bleeding",
        "I can't hear anything",
        "BLOOD!!",
        "pain",
        "my face feels odd",
        "mae fy nghlust yn gwaedu, mae ngwaed ar y gobennydd",
        "mae gen i ben tost a'r bendro",
        "boli mnie ucho",
        "nagle nic nie slysze",
        "leci krew z ucha",
        "میرے کان میں درد ہے",
        "مجھے چکر آ رہے ہیں",
        "kaan mein dard hai",
        "please call 999",
        "me duele mucho la oreja",
        "Desde ayer NO OIGO nada",
        "tengo la cara dormida y hablo raro",
        "se me ha hinchado y tengo fiebre",
        "estoy mareada",
        "se ha tragado la pila",
        "no puedo respirar",
        "quiero morirme",
        "he tomado demasiadas pastillas",
        "huele mal",
        "es una urgencia",
        "j’ai mal à l’oreille",
        "J ai mal a l oreille",
        "je n'entends plus rien",
        "perte d’audition à droite",
        "mon visage est engourdi",
        "c'est gonflé, j'ai de la fièvre",
        "ça saigne",
        "la tête tourne",
        "il a avalé la pile",
        "j'étouffe",
        "je veux mourir",
        "trop de cachets",
        "c'est urgent",
        "dói-me o ouvido",
        "Estou com dor",
        "não ouço nada",
        "a boca está torta",
        "tenho febre",
        "está a sair sangue",
        "tenho tonturas",
        "o menino engoliu a pilha",
        "falta de ar",
        "quero morrer",
        "tomei muitos comprimidos",
        "é uma emergência",
        "ma doare urechea",
        "nu mai aud nimic",
        "mi s-a strâmbat gura",
        "am febră și s-a umflat",
        "îmi curge sânge",
        "am ameţeli",
        "a înghițit bateria",
        "nu pot să respir",
        "vreau să mor",
        "a luat prea multe pastile",
        "E urgent",
        "Болить вухо",
        "дуже сильний біль",
        "зовсім не чую правим вухом",
        "оніміло обличчя",
        "температура і набряк",
        "тече кровʼю",
        "паморочиться голова",
        "дитина проковтнула батарейку",
        "важко дихати",
        "не хочу жити",
        "випив забагато таблеток",
        "викликайте швидку",
        "болит ухо",
        "thank you doctor, all fine, only the painkillers make me sleepy",  # a word too many does little harm
    ],
)
def test_a_warning_word_of_any_language_is_found(text: str) -> None:
    assert shipped_reply_words().warns(text)


@pytest.mark.parametrize(
    "text",
    [
        "Thanks, see you Tuesday",
        "Diolch yn fawr",
        "Dziękuję bardzo",
        "شکریہ",
        "ok",
        "",
        "Can I change my appointment to December?",
        "I can hear much better now. Cara",
        "Iawn, diolch, wela i chi ddydd Mawrth",
        "Tak, przyjdę w grudniu",
        "جی ہاں، منگل ٹھیک ہے",
        "Muchas gracias, nos vemos mañana",
        "Me viene bien el lunes 3 de febrero",
        "Quedamos el jueves. Un abrazo, Dolores",
        "Llegaré tarde, disculpe las molestias",
        "Las gotas van bien, oigo mejor",
        "Quiero cambiar la cita",
        "Merci beaucoup, à mardi",
        "C'est pas grave, on se voit en février",
        "Pas mal, merci",
        "Lundi 14h pile, ça tombe bien",
        "Merci de tout cœur",
        "J'ai bien pris connaissance du message",
        "Muito obrigada, até terça-feira",
        "Quem vai atender? Um abraço",
        "Pode ser na quarta de manhã?",
        "Trago o aparelho amanhã",
        "Quanto custa a avaliação?",
        "Mulțumesc din inimă",
        "Îmi pare foarte rău, nu pot veni miercuri",
        "Doi februarie este bine",
        "Fata mea mă aduce joi",
        "Am luat la cunoștință",
        "Vârsta mea este 72 de ani",
        "Щиро дякую, до вівторка",
        "Дякую від щирого серця, у лікаря золоті руки",
        "Дякую за швидку відповідь",
        "У грудні зручно, важко сказати точно",
        "Чую більше, ніж раніше",
        "Спасибо большое",
    ],
)
def test_thanks_and_booking_words_do_not_warn(text: str) -> None:
    assert not shipped_reply_words().warns(text)


def test_a_word_that_only_holds_a_warning_word_does_not_warn(tmp_path: Path) -> None:
    assert load(tmp_path, xx=GOOD) is None
    words = load_reply_words(tmp_path)
    assert words.warns("bleeding")
    assert words.warns("Is it my Face?")
    assert not words.warns("nosebleed my two faces")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (GOOD.replace('"xx"', '"yy"'), "give both the same name"),
        (GOOD.replace('["halt"]', "[]"), "the list is empty"),
        (GOOD.replace('"halt"', '"..."'), "has no letters"),
        (GOOD.replace('"halt"', '"halt*"'), "only a warning word"),
        (GOOD.replace('"bleed*"', '"b*leed"'), "may only end a word"),
        (GOOD.replace('"bleed*"', '"b*"'), "too short"),
        (GOOD.replace('"halt"', '"go"'), "one answer can mean one thing only"),
        (GOOD.replace('"bleed*"', '"Halt!"'), "also the whole answer"),
        (GOOD + 'stopp = ["x"]\n', "not known"),
        (GOOD.replace('help = ["aid"]\n', ""), "required"),
        ("language = ", "Invalid value"),
    ],
)
def test_a_fault_in_a_list_is_named(tmp_path: Path, text: str, message: str) -> None:
    wrong = load(tmp_path, xx=text)
    assert wrong is not None
    assert message in str(wrong)
    assert "xx.toml" in str(wrong)


def test_a_word_cannot_mean_stop_in_one_language_and_start_in_another(tmp_path: Path) -> None:
    other = GOOD.replace('"xx"', '"yy"').replace('"halt"', '"weg"').replace('"go"', '"Halt"')
    wrong = load(tmp_path, xx=GOOD, yy=other)
    assert "means stop in xx.toml" in str(wrong)


OTHER = (
    'language = "yy"\nstop = ["weg"]\nstart = ["los"]\nhelp = ["hilf"]\nbook = ["Ja"]\nlater = ["dann"]\nno = ["ne"]\n'
    'elsewhere = ["fort"]\nwrong = ["wer"]\nwarning = ["blut*"]\n'
)


def test_a_word_is_ambiguous_only_for_people_of_the_language_that_says_so(tmp_path: Path) -> None:
    assert load(tmp_path, xx=GOOD + 'ambiguous = ["JA!"]\n', yy=OTHER) is None
    words = load_reply_words(tmp_path)
    assert "ja" in words.book
    assert [words.may_mean_otherwise(" Ja. ", tag) for tag in ("xx", "xx-Latn-GB", "yy", "en")] == [
        True, True, False, False
    ]  # fmt: skip
    assert not words.may_mean_otherwise("aye", "xx")


@pytest.mark.parametrize(
    ("ambiguous", "message"),
    [
        ('["aye"]', "'aye' is in the list book of this file"),
        ('["Halt"]', "'Halt' is in the list stop of this file"),
        ('["weg"]', "'weg' means stop, which is obeyed whoever writes it"),
        ('["los"]', "'los' means start"),
        ('["hilf"]', "'hilf' means help"),
        ('["yaa"]', "'yaa' is in no list of another language"),
        ('["blut"]', "'blut' is in no list of another language"),
        ('["..."]', "has no letters"),
        ('["j*"]', "only a warning word"),
    ],
)
def test_a_word_that_cannot_be_ambiguous_is_refused(ambiguous: str, message: str, tmp_path: Path) -> None:
    wrong = load(tmp_path, xx=f"{GOOD}ambiguous = {ambiguous}\n", yy=OTHER)
    assert wrong is not None
    assert message in str(wrong)
    assert "xx.toml" in str(wrong) and "ambiguous" in str(wrong)


def test_polish_no_is_the_shipped_ambiguous_word() -> None:
    """An everyday "yeah" in Polish (from memory: any dictionary of Polish has the particle "no")."""
    words = shipped_reply_words()
    assert words.may_mean_otherwise("No!", "pl")
    assert not any(words.may_mean_otherwise("No", each) for each in words.languages if each != "pl")
    assert not words.may_mean_otherwise("Nie", "pl")


def test_a_folder_without_lists_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ContentError, match="no file of reply words"):
        load_reply_words(tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        "আমার কানে খুব ব্যথা",
        "কান থেকে রক্ত পড়ছে",
        "পুজ পড়ছে",
        "কানে কিছু শুনতে পাচ্ছি না",
        "মাথা ঘুরছে, বমি হচ্ছে",
        "মুখ বেঁকে গেছে",
        "জ্বর এসেছে",
        "শ্বাসকষ্ট হচ্ছে",
        "বাচ্চা ব্যাটারি গিলে ফেলেছে",
        "আমি মরে যেতে চাই",
        "৯৯৯ এ ফোন করেছি",
        "kan theke rokto pore",
        "kane khub betha",
        "matha ghurche",
        "kichu shunte parchi na",
        "我听不见了",
        "右耳突然听不清",
        "耳朵很痛",
        "我 右 耳 流 血",
        "头晕想吐",
        "发烧39度",
        "嘴巴歪了",
        "手發麻",
        "孩子把电池塞进耳朵里了",
        "小孩呼吸困难",
        "耳朵后面肿起来",
        "我不想活了",
        "聋",
        "請打120",
        "我聽不到",
        "耳朵流膿好臭",
        "好唔舒服",
    ],
)
def test_bengali_and_chinese_signs_of_danger_warn(text: str) -> None:
    assert shipped_reply_words().warns(text)


@pytest.mark.parametrize(
    "text",
    [
        "ধন্যবাদ",
        "ঠিক আছে",
        "আমি কাল আসব",
        "সময় বদলাতে চাই",
        "কতদিন ড্রপ দেব?",
        "ভালো আছি",
        "কান পরিষ্কার হয়ে গেছে",
        "dhonnobad",
        "ami kal ashbo",
        "谢谢",
        "好的，收到",
        "麻烦您帮我改到星期五",
        "我想改预约时间",
        "我马上到",
        "下次几点？",
        "滴完了，谢谢医生",
        "我的耳朵好了",
        "怎么取消预约",
        "請問明天幾點",
    ],
)
def test_ordinary_bengali_and_chinese_answers_do_not_warn(text: str) -> None:
    assert not shipped_reply_words().warns(text)


def test_a_character_in_a_chinese_list_warns_nobody_in_another_script(tmp_path: Path) -> None:
    assert (
        load(
            tmp_path,
            xx=GOOD,
            zh='language = "zh"\nstop = ["停"]\nstart = ["开"]\nhelp = ["帮"]\nbook = ["约"]\nlater = ["迟"]\nno = ["否"]\n'
            'elsewhere = ["别"]\nwrong = ["误"]\nwarning = ["聋"]\n',
        )
        is None
    )
    words = load_reply_words(tmp_path)
    assert words.warns("他聋了吗")
    assert not any(words.warns(text) for text in ("x", "I am fine", "ভালো", "他好了", "ええ", "좋아요", ""))


def test_one_letter_of_any_other_script_is_still_too_short_to_warn(tmp_path: Path) -> None:
    for letter in ("a", "ж", "ব", "ع", "あ"):
        wrong = load(tmp_path, xx=GOOD.replace('"my face"', f'"{letter}"'))
        assert wrong is not None
        assert "is too short; write at least 2 letters" in str(wrong)
